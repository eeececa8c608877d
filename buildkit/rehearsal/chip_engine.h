/* What the files of the chip engine share.
 *
 * The engine runs one compiled sketch in the simulator library and plays the
 * world around the chip from a scenario: it knows pins and protocols, nothing of
 * the sketch or of the parts. chip.py starts it and describes both text formats.
 *
 * Time is counted in clock cycles since the first release of reset.
 */
#ifndef CHIP_ENGINE_H
#define CHIP_ENGINE_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

#include "avr_ioport.h"
#include "sim_avr.h"

typedef avr_cycle_count_t cycles_t;

extern avr_t *chip;

/* ---- time and output: chip_engine.c ---- */

/* A moment at which the world acts. Unlike the library's own timers these outlive
 * a reset of the chip, as the world does. */
struct timer {
	cycles_t when;
	void (*due)(void *param);
	void *param;
	bool armed;
	struct timer *next;
};

void timer_arm(struct timer *timer, cycles_t when, void (*due)(void *), void *param);
void timer_stop(struct timer *timer);
cycles_t cycles_in_us(uint64_t us);

/* One line on the event stream: the kind, the cycle, then `format`. */
void report(char kind, const char *format, ...) __attribute__((format(printf, 2, 3)));
void report_bytes(char kind, const char *who, const uint8_t *bytes, int count);
/* The scenario cannot be played: say why and end. */
_Noreturn void refuse(const char *format, ...) __attribute__((format(printf, 1, 2)));

enum cause { POWER, EXTERNAL, WATCHDOG };
void ask_reset(enum cause cause);

/* ---- access to the library: chip_access.c ---- */

enum { MCUSR = 0x54, SMCR = 0x53, PORF = 1, EXTRF = 2, WDRF = 8 }; /* same on all chips served */

/* The library's module of that kind (and name, when not 0), or NULL. */
void *find_module(const char *kind, char name, size_t name_offset);
/* Call `then` after the library has handled a write to (or a read of) `address`. */
void after_write(avr_io_addr_t address, void (*then)(void *), void *param);
void after_read(avr_io_addr_t address, void (*then)(void *), void *param);
/* Take the register out of the library's hands. */
void instead_of_write(avr_io_addr_t address, avr_io_write_t handler, void *param);
void instead_of_read(avr_io_addr_t address, avr_io_read_t handler, void *param);
void timers_start(void);

/* ---- pins: chip_pins.c ---- */

enum state { FLOAT, PULLUP, LOW, HIGH, UNSEEN };

struct pin {
	struct port *port;
	int bit;
	char name[4];
	enum state state;  /* what the chip does with the pin */
	int outside;       /* level put on it by the world: 0, 1, or -1 for none */
	bool watched;
	void (*driven)(struct pin *pin, void *param); /* called when `state` changes */
	void *param;
	struct timer pulse;
	cycles_t half_pulse;
};

void pins_start(void);
void pins_before_reset(void);
void pins_after_reset(void);
struct pin *pin_named(const char *name);
void pin_watch(struct pin *pin);
void pin_drive(struct pin *pin, int level);
/* Low for the second half of each period, else let go; 0 ends it. */
void pin_pulses(struct pin *pin, uint32_t period_us);

/* ---- the parts of the world ---- */

/* One end of a serial wire at the chip: a pin, or a UART when `pin` is NULL. */
struct serial_end {
	struct pin *pin;
	int uart;
};

void serial_start(void);
void serial_send(struct serial_end into, cycles_t start, uint32_t baud, const uint8_t *bytes,
                 int count);

void listen_pin(struct pin *pin, uint32_t baud);
void listen_uart_sent(int index, uint8_t byte, cycles_t byte_ends);
/* ends: where the chip sends, and where the reply goes. No reply: no more answers. */
void listen_answer(const struct serial_end ends[2], uint32_t baud, uint32_t delay_us,
                   const uint8_t *request, int request_count, const uint8_t *reply,
                   int reply_count);

enum usb_host { USB_NONE, USB_READING, USB_STUCK };
void usb_host_is(enum usb_host now);

void twowire_start(void);
void twowire_after_reset(void);
void twowire_present(int address, bool present);
void twowire_busy(int address, uint32_t busy_us, const uint8_t *bytes, int count);
void twowire_reply(int address, const uint8_t *prefix, int prefix_count,
                   const uint8_t *bytes, int count, bool once);
void twowire_hold(bool sda, bool scl, int clocks);

void onewire_present(struct pin *pin, const uint8_t rom[8], bool present);
void onewire_next(struct pin *pin, const uint8_t rom[8], int16_t raw);
void onewire_scratchpad(struct pin *pin, const uint8_t rom[8], const uint8_t bytes[9]);

void analog_start(uint32_t supply_mv, uint32_t reference_mv);
void analog_set(int channel, uint32_t mv);

void watchdog_start(void);
void watchdog_after_reset(void);

/* ---- the scenario: chip_scenario.c ---- */

/* Reads the whole scenario from `in` and arms it; returns the cycle to stop at. */
cycles_t scenario_read(FILE *in);
/* The settings that must be known before the chip starts. */
struct settings {
	uint32_t supply_mv, reference_mv;
	cycles_t boot_cycles;  /* spent in the bootloader after each reset */
	bool boot_clears_cause;
};
extern struct settings settings;

#endif
