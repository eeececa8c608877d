// Keeps interrupts off for 6 ms, longer than the UART's buffer lasts.
#include <Arduino.h>
#include <util/delay.h>

void setup() {
  Serial.begin(9600);
  noInterrupts();
  _delay_ms(6);
  interrupts();
}

void loop() {
  if (Serial.available()) Serial.write(Serial.read());
}
