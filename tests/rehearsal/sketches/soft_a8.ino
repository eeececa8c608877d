// Bytes on a pin whose change interrupt belongs to another group.
#include <Arduino.h>
#include <SoftwareSerial.h>

static SoftwareSerial soft(A8, 12);

void setup() {
  Serial.begin(115200);
  soft.begin(9600);
}

void loop() {
  while (soft.available()) Serial.write(soft.read());
}
