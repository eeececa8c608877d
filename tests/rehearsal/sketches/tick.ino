// Says so once a second and sleeps in between.
#include <Arduino.h>
#include <avr/sleep.h>

static uint32_t last_ms = 0;

void setup() {
  Serial.begin(115200);
  set_sleep_mode(SLEEP_MODE_IDLE);
}

void loop() {
  if (millis() - last_ms >= 1000) {
    last_ms += 1000;
    Serial.println(last_ms);
  }
  sleep_mode();
}
