// Pins below the core, as the ESP32's own system has them.
#pragma once

#include "../engine.h"

typedef int gpio_num_t;
inline int gpio_set_level(gpio_num_t pin, uint32_t level) {
  host::spend(host::US);
  host::pin_level(pin, level);
  return 0;
}
inline int gpio_get_level(gpio_num_t pin) {
  host::spend(host::US);
  return host::pin_read(pin);
}
inline int gpio_pullup_dis(gpio_num_t) { return 0; }
