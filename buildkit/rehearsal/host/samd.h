// The SAMD21's registers that the sketches touch by name.
#pragma once

enum { GCLK_GENCTRL_GENEN = 1, GCLK_GENCTRL_SRC_OSCULP32K = 2, GCLK_GENCTRL_DIVSEL = 4, GCLK_CLKCTRL_ID_WDT = 3,
       GCLK_CLKCTRL_CLKEN = 1, GCLK_CLKCTRL_GEN_GCLK4 = 4 };
#define GCLK_GENDIV_ID(n) (n)
#define GCLK_GENDIV_DIV(n) (n)
#define GCLK_GENCTRL_ID(n) (n)
enum { WDT_CONFIG_PER_4K = 9, WDT_EWCTRL_EWOFFSET_2K = 8, WDT_INTENSET_EW = 1, WDT_CTRL_ENABLE = 2,
       WDT_CLEAR_CLEAR_KEY = 0xA5, WDT_IRQn = 3 };
enum { PM_RCAUSE_POR = 1, PM_RCAUSE_BOD12 = 2, PM_RCAUSE_BOD33 = 4, PM_RCAUSE_EXT = 16, PM_RCAUSE_WDT = 32 };
inline void NVIC_EnableIRQ(int) {}
extern "C" void WDT_Handler(void) __attribute__((weak));

struct PlainRegister {
  uint32_t reg;
  struct { unsigned SYNCBUSY : 1, ENABLE : 1, LOWTOUTEN : 1, BUSSTATE : 2, SYSOP : 1; } bit;
};
struct WatchdogStart {
  void operator=(int bits) {
    if (bits & WDT_CTRL_ENABLE) host::dog_start(2000 * host::MS, WDT_Handler, true, 2000 * host::MS);
  }
};
struct WatchdogClear {
  void operator=(int key) {
    if (key != WDT_CLEAR_CLEAR_KEY) host::reset(host::WATCHDOG);
    host::dog_feed();
  }
};
struct GclkRegisters { PlainRegister GENDIV, GENCTRL, CLKCTRL, STATUS; };
struct PmRegisters { PlainRegister RCAUSE; };
struct WdtRegisters {
  PlainRegister CONFIG, EWCTRL, INTENSET, STATUS;
  struct { WatchdogStart reg; } CTRL;
  struct { WatchdogClear reg; } CLEAR;
};
// A clock that is held low ends a transfer after 35 ms, once that is switched on.
struct BusEnable {
  void operator=(int on) { host::bus_patience = on ? 35 * host::MS : host::NEVER; }
};
struct SercomRegisters {
  struct {
    struct { struct { BusEnable LOWTOUTEN; unsigned ENABLE; } bit; } CTRLA;
    PlainRegister SYNCBUSY, STATUS;
  } I2CM;
};
extern GclkRegisters host_gclk;
extern PmRegisters host_pm;
extern WdtRegisters host_wdt;
extern SercomRegisters host_sercom3;
#define GCLK (&host_gclk)
#define PM (&host_pm)
#define WDT (&host_wdt)
#define SERCOM3 (&host_sercom3)
