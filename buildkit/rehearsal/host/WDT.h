// The watchdog of the RA4M1 core.
#pragma once

#include "engine.h"

struct WDTimer {
  int begin(uint32_t ms) {
    host::dog_start(ms * host::MS, nullptr, true, 0);
    return 1;
  }
  void refresh() { host::dog_feed(); }
};
static WDTimer WDT __attribute__((unused));
