// The ESP32's watchdog of tasks: its interrupt comes first, then the restart.
#pragma once

#include <stddef.h>

#include "engine.h"

typedef int esp_err_t;
#define ESP_OK 0
struct esp_task_wdt_config_t {
  uint32_t timeout_ms, idle_core_mask;
  bool trigger_panic;
};
extern "C" void esp_task_wdt_isr_user_handler() __attribute__((weak));
// The core has started it already, with five seconds of its own.
inline esp_err_t esp_task_wdt_init(const esp_task_wdt_config_t *) { return 0x103; }
inline esp_err_t esp_task_wdt_reconfigure(const esp_task_wdt_config_t *c) {
  host::dog_start(c->timeout_ms * host::MS, esp_task_wdt_isr_user_handler, c->trigger_panic, 0);
  return ESP_OK;
}
inline esp_err_t esp_task_wdt_add(void *) { return ESP_OK; }
inline esp_err_t esp_task_wdt_reset() {
  host::dog_feed();
  return ESP_OK;
}
