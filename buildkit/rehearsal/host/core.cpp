// The objects that every core brings along.
#include "Arduino.h"
#include "Wire.h"
#if defined(HOST_AVR)
#include "avr/wdt.h"

uint8_t MCUSR;
WatchdogRegister WDTCSR;
#endif

#if defined(HOST_ESP8266)
void (*host_timer1)();
EspClass ESP;
rst_info *EspClass::getResetInfoPtr() {
  static rst_info info;
  info.reason = host::cause == host::POWER ? REASON_DEFAULT_RST
                : host::cause == host::EXTERNAL ? REASON_EXT_SYS_RST : REASON_WDT_RST;
  return &info;
}
#elif defined(HOST_RP2040)
RP2040 rp2040;
#elif defined(HOST_RA4M1)
ResetFlags host_resets;
PinFunctions host_pfs;
#elif defined(HOST_STM32)
uint8_t host_flags;
#elif defined(HOST_SAMD)
GclkRegisters host_gclk;
PmRegisters host_pm;
WdtRegisters host_wdt;
SercomRegisters host_sercom3;
#endif

TwoWire Wire;
HOST_PORTS

namespace host {
void core_starts() {
#if defined(HOST_AVR)
  static const uint8_t flags[] = { 1 << PORF, 1 << EXTRF, 1 << WDRF, 0 };
  MCUSR = boot_clears ? 0 : flags[cause];
#elif defined(HOST_RA4M1)
  host_resets = {};
  host_resets.RSTSR0_b.PORF = cause == POWER;
  host_resets.RSTSR1_b.WDTRF = cause == WATCHDOG;
#elif defined(HOST_STM32)
  static const uint8_t flags[] = { RCC_FLAG_PORRST, 0, RCC_FLAG_IWDGRST, RCC_FLAG_SFTRST };
  host_flags = flags[cause] | RCC_FLAG_PINRST;
#elif defined(HOST_SAMD)
  static const uint8_t flags[] = { PM_RCAUSE_POR, PM_RCAUSE_EXT, PM_RCAUSE_WDT, 0 };
  host_pm.RCAUSE.reg = flags[cause];
#endif
}
}  // namespace host
