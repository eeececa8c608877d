// Rests its output and stops for good; the first sleep is not enabled and does nothing.
#include <Arduino.h>
#include <avr/sleep.h>

void setup() {
  noInterrupts();
  sleep_cpu();
  interrupts();
  pinMode(7, OUTPUT);
  digitalWrite(7, HIGH);
  delay(50);
  digitalWrite(7, LOW);
  noInterrupts();
  sleep_enable();
  sleep_cpu();
  digitalWrite(7, HIGH);
}

void loop() {}
