// Goes 100 calls deep for a moment.
#include <Arduino.h>

static uint8_t __attribute__((noinline)) down(uint8_t levels) {
  uint8_t below = levels ? down(levels - 1) : 0;
  GPIOR0 = below;
  return below + 1;
}

void setup() { down(100); }

void loop() {}
