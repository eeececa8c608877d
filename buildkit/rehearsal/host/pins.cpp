// Pins as each family's core has them, and what the world does to them.
#include <stdlib.h>
#include <string.h>
#include <vector>

#include "Arduino.h"
#include "engine.h"

namespace host {

static struct State {
  Mode mode;
  bool latch, set_up, watched, registers;
  unsigned char outside;    // 0: nobody drives it, 1: low, 2: high
  const char *told;
  void (*handler)();
  int edge;
} states[256];
static volatile uint8_t modes[256], inputs[256];
static int watched_registers;
static int channel_mv[64];
// The converter's reference: on the AVR the supply, 5 V unless told (signals.py).
#if defined(HOST_AVR)
static int full_mv = 5000;
#else
static int full_mv = HOST_ADC_MV;
#endif

static const PinFacts *facts(int pin) {
  for (int i = 0; i < host_pin_count; i++)
    if (host_pins[i].number == pin) return &host_pins[i];
  return nullptr;
}

int pin_named(const char *port) {
  for (int i = 0; i < host_pin_count; i++)
    if (!strcmp(host_pins[i].port, port)) return host_pins[i].number;
  refuse("the board has no pin '%s'", port);
}

static bool low(const State &s) {
  return (s.mode == DRIVEN || s.mode == OPEN_DRAIN) && !s.latch;
}

static const char *shown(const State &s) {
  switch (s.mode) {
    case DRIVEN: return s.latch ? "high" : "low";
    case OPEN_DRAIN: return s.latch ? "float" : "low";
    case PULLED_UP: return "pullup";
    default: return "float";
  }
}

static void moved(int pin, bool was_low) {
  State &s = states[pin];
  const char *state = shown(s);
  if (s.watched && (!s.told || strcmp(state, s.told))) {
    report("p %llu %s %s\n", (unsigned long long)now, facts(pin)->port, state);
    s.told = state;
  }
  if (low(s) != was_low) {
    onewire_moved(pin, low(s));
    bus_clocked(pin, low(s));
  }
}

static void set(int pin, Mode mode, bool latch) {
  State &s = states[pin & 255];
  if (s.mode == mode && s.latch == latch) return;
  act();
  const bool was_low = low(s);
  s.mode = mode;
  s.latch = latch;
  moved(pin & 255, was_low);
}

void pin_put(int pin, bool level, Mode mode) {
  states[pin & 255].set_up = true;
  set(pin, mode, level);
}

void pin_level(int pin, bool level) {
  set(pin, states[pin & 255].mode, level);
}

void pin_direction(int pin, bool out) {
  set(pin, out ? DRIVEN : FLOATING, states[pin & 255].latch);
}

// What becomes of the level when the direction changes is the core's own way.
void pin_mode(int pin, Mode mode) {
  State &s = states[pin & 255];
  s.set_up = true;
#if defined(HOST_AVR)
  // A pull-up is a one written to an input (wiring_digital.c).
  const bool latch = mode == DRIVEN ? s.latch : mode == PULLED_UP;
#elif defined(HOST_SAMD)
  const bool latch = mode == PULLED_UP ? true : s.latch;
#elif defined(HOST_RP2040) || defined(HOST_RA4M1)
  // gpio_init(), and R_IOPORT_PinCfg(), clear the level first.
  const bool latch = false;
#else
  const bool latch = s.latch;
#endif
#if defined(HOST_RP2040)
  if (mode == DRIVEN) set(pin, FLOATING, false);
#endif
  set(pin, mode, latch);
}

void pin_write(int pin, bool level) {
  State &s = states[pin & 255];
#if defined(HOST_ESP32) || defined(HOST_STM32)
  // Lost before the pin has been set up: the core refuses, or the port has no clock yet.
  if (!s.set_up) return;
#endif
  Mode mode = s.mode;
#if defined(HOST_AVR) || defined(HOST_SAMD)
  if (mode != DRIVEN) mode = level ? PULLED_UP : FLOATING;
#endif
  set(pin, mode, level);
}

bool pin_read(int pin) {
  const State &s = states[pin & 255];
  if (low(s) || onewire_pulls(pin) || bus_holds(pin)) return false;
  if (s.mode == DRIVEN) return true;
  if (s.outside) return s.outside == 2;
  if (onewire_here(pin) || pin == host_sda || pin == host_scl) return true;  // pulled up outside
  return s.mode == PULLED_UP;
}

void pin_drive(int pin, int level) {
  State &s = states[pin & 255];
  const bool before = pin_read(pin);
  s.outside = (unsigned char)(level + 1);
  const bool after = pin_read(pin);
  if (!s.handler || before == after) return;
  if (s.edge == CHANGE || (s.edge == RISING) == after) s.handler();
}

// Pulses from outside: high, then low, for half a period each.
struct Pulses {
  int pin;
  ns_t half, next;
  bool low;
};
static std::vector<Pulses> pulses;
static ns_t next_pulse = NEVER;

static void know_next_pulse() {
  next_pulse = NEVER;
  for (const Pulses &p : pulses)
    if (p.next < next_pulse) next_pulse = p.next;
}

void pin_pulses(int pin, ns_t period, ns_t from) {
  for (size_t i = 0; i < pulses.size(); i++)
    if (pulses[i].pin == pin) pulses.erase(pulses.begin() + (long)i--);
  pin_drive(pin, -1);
  if (period) pulses.push_back({ pin, period / 2, from + period / 2, false });
  know_next_pulse();
}

ns_t pins_due() {
  return next_pulse;
}

void pins_world() {
  if (next_pulse > now) return;
  for (Pulses &p : pulses) {
    for (; p.next <= now; p.next += p.half) {
      p.low = !p.low;
      pin_drive(p.pin, p.low ? 0 : -1);
    }
  }
  know_next_pulse();
}

void change_interrupt(int pin, void (*handler)(), int mode) {
  act();
  states[pin & 255].handler = handler;
  states[pin & 255].edge = mode;
}

void pin_watch(int pin) {
  states[pin & 255].watched = true;
}

void pins_reset() {
  for (int i = 0; i < host_pin_count; i++) {
    const int pin = host_pins[i].number & 255;
    State &s = states[pin];
    const bool was_low = low(s);
    s.mode = FLOATING;
    s.latch = s.set_up = false;
    s.handler = nullptr;
    modes[pin] = 0;
    moved(pin, was_low);
  }
}

// --- analog -------------------------------------------------------------------------------

void supply_is(int supply, int reference) {
#if defined(HOST_AVR)
  full_mv = supply;
  (void)reference;
#else
  full_mv = reference;
  (void)supply;
#endif
}

void pin_adc(int channel, int mv) {
  channel_mv[channel & 63] = mv;
}

int pin_millivolts(int pin) {
  act();
  spend_beside(110 * US);
  const PinFacts *p = facts(pin);
  return p && p->adc >= 0 ? channel_mv[p->adc & 63] : 0;
}

int pin_convert(int pin) {
  const int steps = 1 << HOST_ADC_BITS;
  const long count = (long)pin_millivolts(pin) * steps / full_mv;
  return (int)(count < 0 ? 0 : count >= steps ? steps - 1 : count);
}

// --- registers that a sketch moves by itself --------------------------------------------------

volatile uint8_t *mode_register(int pin) {
  State &s = states[pin & 255];
  if (!s.registers) watched_registers++;
  s.registers = true;
  return &modes[pin & 255];
}

volatile uint8_t *input_register(int pin) {
  mode_register(pin);
  return &inputs[pin & 255];
}

// The sketch wrote a direction; time has not moved on since, so this is soon enough.
void pins_check_registers() {
  if (!watched_registers) return;
  for (int i = 0; i < host_pin_count; i++) {
    const int pin = host_pins[i].number & 255;
    State &s = states[pin];
    if (!s.registers) continue;
    const bool wants = modes[pin] & 1;
    if (wants != (s.mode == DRIVEN)) set(pin, wants ? DRIVEN : FLOATING, s.latch);
  }
}

void pins_fill_registers() {
  if (!watched_registers) return;
  for (int i = 0; i < host_pin_count; i++) {
    const int pin = host_pins[i].number & 255;
    if (states[pin].registers) inputs[pin] = pin_read(pin);
  }
}

}  // namespace host
