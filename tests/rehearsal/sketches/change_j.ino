// Counts the changes of pins 15 and 0 (PJ0 and PE0), which share one interrupt.
#include <Arduino.h>

static volatile uint16_t changes = 0;

ISR(PCINT1_vect) { changes++; }

void setup() {
  Serial1.begin(115200);
  PCMSK1 = _BV(PCINT8) | _BV(PCINT9);
  PCICR = _BV(PCIE1);
  delay(100);
  Serial1.println(changes);
}

void loop() {}
