// Uses 200 bytes of stack for a moment.
#include <Arduino.h>

static void __attribute__((noinline)) fill(uint8_t value) {
  volatile uint8_t bytes[200];
  bytes[0] = bytes[199] = value;
}

void setup() { fill(GPIOR0); }

void loop() {}
