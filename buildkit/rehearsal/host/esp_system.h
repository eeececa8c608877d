// Why an ESP32 started.
#pragma once

#include "engine.h"

enum esp_reset_reason_t { ESP_RST_UNKNOWN, ESP_RST_POWERON, ESP_RST_EXT, ESP_RST_SW, ESP_RST_PANIC, ESP_RST_INT_WDT,
                          ESP_RST_TASK_WDT, ESP_RST_WDT, ESP_RST_DEEPSLEEP, ESP_RST_BROWNOUT };
inline esp_reset_reason_t esp_reset_reason() {
  return host::cause == host::POWER ? ESP_RST_POWERON : host::cause == host::EXTERNAL ? ESP_RST_EXT : ESP_RST_TASK_WDT;
}
