// What only one family's core has, as far as the written sketches use it.
#pragma once

#if defined(HOST_SAMD) || defined(HOST_STM32) || defined(HOST_RA4M1) || defined(HOST_RP2040)
// The core's min() takes two types; these sketches give it one.
template <class A, class B> inline auto min(A a, B b) { return a < b ? a : b; }
inline void __WFI() { host::sleep(); }
#endif

#if defined(HOST_ESP8266)
enum { TIM_DIV256 = 3, TIM_EDGE = 0, TIM_SINGLE = 0 };
enum { REASON_DEFAULT_RST, REASON_WDT_RST, REASON_EXCEPTION_RST, REASON_SOFT_WDT_RST, REASON_SOFT_RESTART,
       REASON_DEEP_SLEEP_AWAKE, REASON_EXT_SYS_RST };
extern void (*host_timer1)();
inline void timer1_attachInterrupt(void (*handler)()) { host_timer1 = handler; }
inline void timer1_enable(uint8_t, uint8_t, uint8_t) { host::dog_start(2000 * host::MS, host_timer1, true, 6000 * host::MS); }
inline void timer1_write(uint32_t ticks) {
  host::dog_period = ticks * host::US * 256 / 80;
  host::dog_feed();
}
struct rst_info { uint32_t reason; };
struct EspClass {
  rst_info *getResetInfoPtr();
};
extern EspClass ESP;
#endif

#if defined(HOST_ESP32)
template <class A, class B> inline auto min(A a, B b) { return a < b ? a : b; }
// Millivolts at the pin, which the core corrects by what is burnt into the chip.
inline uint32_t analogReadMilliVolts(int pin) { return (uint32_t)host::pin_millivolts(pin); }
#endif

#if defined(HOST_RP2040)
class RP2040 {
 public:
  enum resetReason_t { UNKNOWN_RESET, PWRON_RESET, RUN_PIN_RESET, SOFT_RESET, WDT_RESET, DEBUG_RESET, GLITCH_RESET,
                       BROWNOUT_RESET };
  void wdt_begin(uint32_t ms) { host::dog_start(ms * host::MS, nullptr, true, 0); }
  void wdt_reset() { host::dog_feed(); }
  resetReason_t getResetReason() {
    return host::cause == host::POWER ? PWRON_RESET : host::cause == host::EXTERNAL ? RUN_PIN_RESET : WDT_RESET;
  }
};
extern RP2040 rp2040;
inline void gpio_init(int pin) { host::pin_put(pin, false, host::FLOATING); }
inline void gpio_put(int pin, bool level) { host::pin_level(pin, level); }
inline void gpio_set_dir(int pin, bool out) { host::pin_direction(pin, out); }
inline bool gpio_get(int pin) { return digitalRead(pin) == HIGH; }
inline void gpio_disable_pulls(int) {}
#endif

#if defined(HOST_RA4M1)
enum { IOPORT_CFG_PORT_DIRECTION_OUTPUT = 4, IOPORT_CFG_PORT_OUTPUT_HIGH = 1, IOPORT_CFG_PORT_OUTPUT_LOW = 0 };
#define digitalPinToBspPin(pin) (pin)
inline void R_IOPORT_PinCfg(void *, int pin, int how) {
  host::pin_put(pin, how & IOPORT_CFG_PORT_OUTPUT_HIGH, host::DRIVEN);
}
struct ResetFlags {
  struct { unsigned PORF : 1, LVD0RF : 1; } RSTSR0_b;
  struct { unsigned WDTRF : 1, SWRF : 1; } RSTSR1_b;
};
extern ResetFlags host_resets;
#define R_SYSTEM (&host_resets)
struct PinFunctions {
  struct { struct { struct { unsigned PCR : 1; } PmnPFS_b; } PIN[256]; } PORT[1];
};
extern PinFunctions host_pfs;
#define R_PFS (&host_pfs)
inline void R_BSP_PinAccessEnable() {}
inline void R_BSP_PinAccessDisable() {}
#endif

#if defined(HOST_STM32)
enum { RCC_FLAG_IWDGRST = 1, RCC_FLAG_PORRST = 2, RCC_FLAG_SFTRST = 4, RCC_FLAG_PINRST = 8 };
extern uint8_t host_flags;
#define __HAL_RCC_GET_FLAG(flag) (host_flags & (flag))
#define __HAL_RCC_CLEAR_RESET_FLAGS() (host_flags = 0)
#endif

#if defined(HOST_SAMD)
#include "samd.h"
#endif
