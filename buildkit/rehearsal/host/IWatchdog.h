// The independent watchdog of the STM32 core.
#pragma once

#include "engine.h"

struct IWatchdogClass {
  void begin(uint32_t us) { host::dog_start(us * host::US, nullptr, true, 0); }
  void reload() { host::dog_feed(); }
};
static IWatchdogClass IWatchdog __attribute__((unused));
