// Tells the analog inputs, the last ones of the chip included.
#include <Arduino.h>

#if defined(ARDUINO_AVR_LEONARDO)
#define OUT Serial1
static const uint8_t inputs[] = {A0, A5, A6, A11};
#elif defined(ARDUINO_AVR_MEGA2560)
#define OUT Serial
static const uint8_t inputs[] = {A0, A7, A8, A15};
#else
#define OUT Serial
static const uint8_t inputs[] = {A0, A1, A2, A5};
#endif

void setup() { OUT.begin(115200); }

void loop() {
  for (uint8_t i = 0; i < sizeof inputs; i++) {
    OUT.print(analogRead(inputs[i]));
    OUT.print(i + 1 < (int)sizeof inputs ? ' ' : '\n');
  }
  delay(100);
}
