// Asks a device for a reading, by hand-made serial and by the UART, and passes the answers on.
#include <Arduino.h>
#include <SoftwareSerial.h>

static SoftwareSerial soft(8, 9);
static const uint8_t request[] = {0xFF, 0x01, 0x86};

void setup() {
  Serial.begin(9600);
  soft.begin(9600);
}

void loop() {
  static uint32_t next_ms = 100;
  if (millis() >= next_ms) {
    next_ms += 100;
    soft.write(request, sizeof request);
    Serial.write('?');
  }
  while (soft.available()) Serial.write(soft.read());
  while (Serial.available()) Serial.write(Serial.read());
}
