// The AVR's watchdog and the register that tells why it was reset.
#pragma once

#include "../engine.h"

enum { WDIE = 6, WDP3 = 5, WDCE = 4, WDE = 3, WDP2 = 2, WDP1 = 1, WDP0 = 0 };
enum { PORF = 0, EXTRF = 1, BORF = 2, WDRF = 3 };
#define WDTO_15MS 0

extern "C" void WDT_vect() __attribute__((weak));
#define ISR(vector) extern "C" void vector()
// Compiled here, such a function is one that returns.
#define naked noinline

extern uint8_t MCUSR;

// Timed writes with WDCE only open the register (ATmega328P data sheet, 11.9.2).
struct WatchdogRegister {
  void operator=(int bits) {
    if (bits & 1 << WDCE) return;
    const int scale = (bits & 7) | (bits >> WDP3 & 1) << 3;
    const bool on = bits & (1 << WDIE | 1 << WDE);
    const host::ns_t period = on ? host::ns_t(16) * host::MS << scale : 0;
    host::dog_start(period, bits & 1 << WDIE ? WDT_vect : nullptr, bits & 1 << WDE, period);
  }
};
extern WatchdogRegister WDTCSR;

inline void wdt_reset() { host::dog_feed(); }
inline void wdt_enable(int scale) { WDTCSR = 1 << WDE | scale; }
inline void wdt_disable() { WDTCSR = 0; }
