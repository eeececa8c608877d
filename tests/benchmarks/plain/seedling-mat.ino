// The heat mat as such sketches are usually written: one thing after another, each
// waited for. The baseline of test_plain_sketch.py; nobody should build it.
#include <Wire.h>

#define SOIL_PIN 4
#define MAT_PIN 7
#define LAMP_PIN 2
#define START_AT 20.5
#define STOP_AT 22.0

#include "usual.h"

Average average(5);
bool matOn = false, forced = false;
unsigned long changedAt = 0, lastReading = 0;

bool wireReset() {
  pinMode(SOIL_PIN, OUTPUT);
  digitalWrite(SOIL_PIN, LOW);
  delayMicroseconds(480);
  pinMode(SOIL_PIN, INPUT);
  delayMicroseconds(70);
  bool there = digitalRead(SOIL_PIN) == LOW;
  delayMicroseconds(410);
  return there;
}

void wireWrite(byte value) {
  for (int i = 0; i < 8; i++) {
    noInterrupts();
    pinMode(SOIL_PIN, OUTPUT);
    digitalWrite(SOIL_PIN, LOW);
    delayMicroseconds(bitRead(value, i) ? 5 : 60);
    pinMode(SOIL_PIN, INPUT);
    interrupts();
    delayMicroseconds(bitRead(value, i) ? 60 : 5);
  }
}

byte wireRead() {
  byte value = 0;
  for (int i = 0; i < 8; i++) {
    noInterrupts();
    pinMode(SOIL_PIN, OUTPUT);
    digitalWrite(SOIL_PIN, LOW);
    pinMode(SOIL_PIN, INPUT);
    delayMicroseconds(3);
    bitWrite(value, i, digitalRead(SOIL_PIN));
    interrupts();
    delayMicroseconds(55);
  }
  return value;
}

byte crc8(const byte *bytes, int n) {
  byte crc = 0;
  for (int i = 0; i < n; i++) {
    byte c = bytes[i];
    for (int bit = 0; bit < 8; bit++) {
      byte mix = (crc ^ c) & 1;
      crc >>= 1;
      if (mix) crc ^= 0x8C;
      c >>= 1;
    }
  }
  return crc;
}

// Degrees Celsius, or -127 as the libraries have it.
float readSensor() {
  byte pad[9];
  if (!wireReset()) return -127;
  wireWrite(0xCC);
  wireWrite(0x44);
  delay(750);
  if (!wireReset()) return -127;
  wireWrite(0xCC);
  wireWrite(0xBE);
  for (int i = 0; i < 9; i++) pad[i] = wireRead();
  if (crc8(pad, 8) != pad[8]) return -127;
  int raw = pad[1] << 8 | pad[0];
  if (raw == 85 * 16) return -127;
  return raw / 16.0;
}

void setMat(bool on) {
  matOn = on;
  changedAt = millis();
  digitalWrite(MAT_PIN, on ? LOW : HIGH);
}

void control() {
  unsigned long now = millis();
  bool silent = now - lastReading > 30000;
  if (silent) {
    average.empty();
    if (matOn) setMat(false);
  } else if (matOn && now - changedAt > 7200000UL) {
    setMat(false);
    forced = true;
  } else if (average.full() && now - changedAt >= 60000) {
    forced = false;
    if (!matOn && average.mean() <= START_AT) setMat(true);
    else if (matOn && average.mean() >= STOP_AT) setMat(false);
  }
  digitalWrite(LAMP_PIN, silent || forced ? HIGH : LOW);
}

void show(float now) {
  lcd.setCursor(0, 0);
  lcd.print("Soil ");
  if (now == -127) lcd.print("--");
  else lcd.print(now, 1);
  lcd.write(0xDF);
  lcd.print("C     ");
  lcd.setCursor(0, 1);
  lcd.print("avg ");
  if (!average.full()) lcd.print("--");
  else lcd.print(average.mean(), 1);
  lcd.write(0xDF);
  lcd.print(matOn ? " on   " : " off  ");
}

void setup() {
  digitalWrite(MAT_PIN, HIGH);
  pinMode(MAT_PIN, OUTPUT);
  pinMode(LAMP_PIN, OUTPUT);
  Serial.begin(115200);
  lcd.begin();
  Serial.println("ms,probe,raw,average,load,state");
}

void loop() {
  float now = readSensor();
  if (now != -127) {
    average.add(now);
    lastReading = millis();
  }
  control();
  show(now);
  Serial.print(millis());
  Serial.print(",soil,");
  if (now != -127) Serial.print(now, 4);
  Serial.print(",");
  if (average.full()) Serial.print(average.mean(), 4);
  Serial.print(",mat,");
  Serial.println(matOn ? "on" : "off");
  delay(1000);
}
