// Runs on a chip with USB and nobody at the other end: the log must not stop the loop.
#include <Arduino.h>

void setup() {
  Serial.begin(115200);
  pinMode(7, OUTPUT);
}

void loop() {
  digitalWrite(7, !digitalRead(7));
  if (Serial.availableForWrite() > 20) Serial.println(F("nobody reads this"));
  delay(10);
}
