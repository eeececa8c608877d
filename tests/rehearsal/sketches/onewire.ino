// Reads a 1-Wire thermometer with its own bit-banging, once a second.
#include <Arduino.h>

#include "bitbang.h"

static void tell(uint8_t count) {
  while (count--) {
    uint8_t value = read_byte();
    if (value < 16) Serial.print('0');
    Serial.print(value, HEX);
  }
  Serial.println();
}

void setup() { Serial.begin(115200); }

void loop() {
  static uint32_t next_ms = 0;
  if (millis() < next_ms) return;
  next_ms += 1000;
  if (!reset_line()) {
    Serial.println(F("nobody"));
    return;
  }
  if (next_ms == 1000) {
    write_byte(0x33);
    tell(8);
    reset_line();
  }
  write_byte(0xCC);
  write_byte(0xBE);
  tell(9);
  reset_line();
  write_byte(0xCC);
  write_byte(0x44);
  uint32_t began_ms = millis();
  while (!read_byte()) {
  }
  Serial.println(millis() - began_ms);
}
