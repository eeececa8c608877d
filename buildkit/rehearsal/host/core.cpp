// The objects that every core brings along.
#include "Arduino.h"
#include "Wire.h"
#if defined(HOST_AVR)
#include "avr/wdt.h"

uint8_t MCUSR;
WatchdogRegister WDTCSR;
#endif

TwoWire Wire;
HOST_PORTS

namespace host {
void core_starts() {
#if defined(HOST_AVR)
  static const uint8_t flags[] = { 1 << PORF, 1 << EXTRF, 1 << WDRF, 0 };
  MCUSR = boot_clears ? 0 : flags[cause];
#endif
}
}  // namespace host
