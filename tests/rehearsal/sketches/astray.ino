// Writes where there is no memory.
#include <Arduino.h>

void setup() { *(volatile uint8_t *)0xF000 = 1; }

void loop() {}
