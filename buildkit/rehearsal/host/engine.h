// The clock and the world of a sketch that runs on this computer.
//
// Time is virtual and counts nanoseconds since the first power-up.  Every call
// of the core spends a little of it; sleep goes to the next tick, byte or event
// at once.  What the sketch does to the world goes through act(), so that a
// pass can be run on trial and taken back (see leaps.cpp).
#pragma once

#include <stddef.h>
#include <stdint.h>

#include "clock.h"  // made for each board: HOST_CLOCK_HZ

namespace host {

typedef uint64_t ns_t;
const ns_t US = 1000, MS = 1000000, NEVER = ~(ns_t)0;
#if defined(HOST_AVR)
// The counter of milliseconds moves when timer 0 overflows (wiring.c), which
// is also when a sleeping sketch wakes.
const ns_t TICK = (ns_t)64 * 256 * 1000000000 / HOST_CLOCK_HZ;
#else
const ns_t TICK = MS;
#endif

extern ns_t now;
extern ns_t due;            // the next moment at which the world may do something; never too late
extern uint64_t calls;      // of the core; a sketch that makes none for long hangs
extern uint64_t acts;       // what it did to the world
extern bool trying;         // this pass may be taken back
extern ns_t rested;         // time spent asleep in this pass

void world();               // plays what is due
[[noreturn]] void take_back();
[[noreturn]] void refuse(const char *format, ...) __attribute__((format(printf, 1, 2)));
void report(const char *format, ...) __attribute__((format(printf, 1, 2)));
void report_bytes(char kind, ns_t at, const char *who, const uint8_t *bytes, size_t count);

inline void spend(ns_t time) {
  calls++;
  now += time;
  if (now >= due) world();
}

// Time that a controller of the chip takes while the sketch waits for it.
extern bool hardware_works;
inline void spend_beside(ns_t time) {
  hardware_works = true;
  spend(time);
  hardware_works = false;
}

inline void act() {
  if (trying) take_back();
  acts++;
}

// The sketch rests: to the next tick of the millisecond counter or interrupt.
void sleep();
void wait(ns_t time);       // delay()
uint32_t millisecond();
void shift_clock(uint32_t millis_now);

// --- interrupts -------------------------------------------------------------

extern bool interrupts_off;
extern ns_t off_since;
void interrupts_on();
void change_interrupt(int pin, void (*handler)(), int mode);

// --- pins, by the board's own number; what they do is the family's -----------

enum Mode { FLOATING, DRIVEN, PULLED_UP, PULLED_DOWN, OPEN_DRAIN };
struct PinFacts {
  const char *port;
  int number, adc;
  char at_reset;            // 'u' up, 'd' down, '-' floating
};
void pin_mode(int pin, Mode mode);
void pin_write(int pin, bool level);
bool pin_read(int pin);
void pin_put(int pin, bool level, Mode mode);  // both at once, without a step between
void pin_level(int pin, bool level);           // below the core: the level alone,
void pin_direction(int pin, bool out);         // the direction alone
int pin_millivolts(int pin);
int pin_convert(int pin);
int pin_named(const char *port);
void pin_drive(int pin, int level);  // from outside; -1 lets go
void pin_pulses(int pin, ns_t period, ns_t from);  // 0 ends them
ns_t pins_due();
void pins_world();
void pin_watch(int pin);
void pin_adc(int channel, int mv);
void pins_reset();
void pins_check_registers();
void pins_fill_registers();
volatile uint8_t *mode_register(int pin);
volatile uint8_t *input_register(int pin);
void supply_is(int supply_mv, int reference_mv);

// --- serial ------------------------------------------------------------------

const int USB = 9;
struct Line;                // one receiver: a UART, or a pin that software listens on
Line *uart_line(int index);
Line *soft_line(int rx, int tx);
void line_begin(Line *line, uint32_t baud, size_t buffer);
void line_listen(Line *line);
size_t line_room(Line *line);
void line_send(Line *line, uint8_t byte);
void line_pull(Line *line);
int line_read(Line *line, bool keep);
extern ns_t next_arrival;   // of a byte that wakes the chip; never too late
struct Ring {
  uint8_t bytes[1024];
  size_t size, head, count;
  ns_t next;                // when the next byte comes in
};
Ring *line_ring(Line *line);
inline int line_available(Line *line, Ring *ring) {
  spend(US);
  if (ring->next <= now) line_pull(line);
  return (int)ring->count;
}
void serial_bytes(const char *end, uint32_t baud, ns_t from, const uint8_t *bytes, size_t count);
void serial_answer(const char *by, const char *into, uint32_t baud, ns_t after,
                   const uint8_t *request, size_t request_count, const uint8_t *reply, size_t reply_count);
void serial_listen(int pin, uint32_t baud);
void serial_usb(int host);
void serial_reset();
void serial_close();
ns_t serial_due();
void serial_world();
void serial_interrupts_back(ns_t since);
extern uint64_t bytes_lost;

// --- two-wire bus ---------------------------------------------------------------

enum Ending { DONE, REFUSED, DATA_REFUSED, HELD };
extern uint32_t bus_hz;
extern ns_t bus_patience;   // of the controller, with lines that are held
Ending bus_write(uint8_t address, const uint8_t *bytes, size_t count, ns_t patience);
Ending bus_read(uint8_t address, uint8_t *bytes, size_t count, ns_t patience);
void bus_present(int address, bool present);
void bus_busy(int address, uint32_t us, const uint8_t *bytes, size_t count);
void bus_reply(int address, const uint8_t *after, size_t after_count, const uint8_t *bytes, size_t count, bool once);
void bus_hold(bool sda, bool scl, int clocks);
void bus_clocked(int pin, bool low);
bool bus_holds(int pin);

// --- 1-Wire -----------------------------------------------------------------------

void onewire_present(int pin, const uint8_t *code, bool present);
void onewire_next(int pin, const uint8_t *code, int sixteenths);
void onewire_scratchpad(int pin, const uint8_t *code, const uint8_t *nine);
void onewire_moved(int pin, bool low);
bool onewire_pulls(int pin);
bool onewire_here(int pin);

// --- watchdog, resets ---------------------------------------------------------------

extern ns_t dog_period, dog_deadline;  // 0: off
extern void (*dog_warns)();            // called instead of the reset, once
extern bool dog_bites;                 // a reset at the end, so long after the warning
void dog_start(ns_t period, void (*warns)(), bool bites, ns_t after);
inline void dog_feed() {
  spend(US);
  if (dog_period) dog_deadline = now + dog_period;
}
enum Cause { POWER, EXTERNAL, WATCHDOG, SOFTWARE };
extern Cause cause;
[[noreturn]] void reset(Cause why);
void core_starts();         // its registers after a reset

// --- the scenario ------------------------------------------------------------------

void scenario_read();
ns_t scenario_due();
void scenario_world();
extern ns_t until, boot_ns;
extern bool boot_clears;

}  // namespace host

extern const host::PinFacts host_pins[];
extern const int host_pin_count;
extern const int host_sda, host_scl;
