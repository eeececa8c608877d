// Uses 200 bytes of stack once.
#include <Arduino.h>

static void __attribute__((noinline)) fill(uint8_t value) {
  volatile uint8_t bytes[200];
  for (uint8_t i = 0; i < sizeof bytes; i++) bytes[i] = value;
}

void setup() { fill(GPIOR0); }

void loop() {}
