// One two-wire transfer every 100 ms; tells result, duration and what was read.
#include <Arduino.h>
#include <Wire.h>

static uint32_t next_ms = 100;
static uint8_t step = 0;

static void tell_bytes() {
  while (Wire.available()) {
    Serial.print(' ');
    Serial.print(Wire.read(), HEX);
  }
}

static void clock_by_hand() {
  Wire.end();
  for (uint8_t i = 0; i < 9; i++) {
    pinMode(SCL, OUTPUT);
    digitalWrite(SCL, LOW);
    delayMicroseconds(5);
    pinMode(SCL, INPUT_PULLUP);
    delayMicroseconds(5);
  }
  Serial.print(digitalRead(SDA));
  Wire.begin();
  Wire.setWireTimeout(5000, true);
}

void setup() {
  Serial.begin(115200);
  Wire.begin();
  Wire.setWireTimeout(5000, true);
}

void loop() {
  if (millis() < next_ms) return;
  next_ms += 100;
  step++;
  Serial.print(step);
  Serial.print(':');
  uint32_t began_us = micros();
  if (step % 3 == 1) {
    Wire.beginTransmission(0x44);
    for (uint8_t i = 0; i < 10; i++) Wire.write(i);
    Serial.print(Wire.endTransmission());
    Serial.print(' ');
    Serial.print(micros() - began_us);
  } else if (step % 3 == 2) {
    Wire.beginTransmission(0x44);
    Wire.write(0xD0);
    uint8_t sent = Wire.endTransmission(false);
    uint8_t count = Wire.requestFrom(0x44, 3);
    Serial.print(sent);
    Serial.print(' ');
    Serial.print(count);
    tell_bytes();
  } else {
    if (Wire.getWireTimeoutFlag()) {
      Wire.clearWireTimeoutFlag();
      clock_by_hand();
    } else {
      Serial.print(Wire.requestFrom(0x44, 2));
      tell_bytes();
    }
  }
  Serial.println();
}
