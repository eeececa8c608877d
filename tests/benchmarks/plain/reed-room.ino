// The humidifier as such sketches are usually written: one thing after another, each
// waited for. The baseline of test_plain_sketch.py; nobody should build it.
#include <Wire.h>

#define SHELF_PIN A0
#define MIST_PIN 2
#define LAMP_PIN 3
#define START_AT 45.0
#define STOP_AT 52.0

#include "usual.h"

Average air(10), shelf(4);
float lastValue = -1;
bool mistOn = false;
unsigned long changedAt = 0, lastReading = 0, sameSince = 0;

byte crc8(const byte *bytes, int n) {
  byte crc = 0xFF;
  for (int i = 0; i < n; i++) {
    crc ^= bytes[i];
    for (int bit = 0; bit < 8; bit++) crc = crc & 0x80 ? (crc << 1) ^ 0x31 : crc << 1;
  }
  return crc;
}

// Relative humidity in %, or -1.
float readAir() {
  byte bytes[6];
  Wire.beginTransmission(0x44);
  Wire.write(0x24);
  Wire.write(0x00);
  if (Wire.endTransmission() != 0) return -1;
  delay(20);
  if (Wire.requestFrom(0x44, 6) != 6) return -1;
  for (int i = 0; i < 6; i++) bytes[i] = Wire.read();
  if (crc8(bytes, 2) != bytes[2] || crc8(bytes + 3, 2) != bytes[5]) return -1;
  unsigned int raw = bytes[3] << 8 | bytes[4];
  return raw * 100.0 / 65535.0;
}

// Degrees Fahrenheit by the beta equation, or -999 for a broken bead.
float readShelf() {
  int raw = analogRead(SHELF_PIN);
  if (raw < 20 || raw > 1003) return -999;
  float ohms = 10000.0 * raw / (1023.0 - raw);
  float kelvin = 1.0 / (log(ohms / 10000.0) / 3950.0 + 1.0 / 298.15);
  return (kelvin - 273.15) * 1.8 + 32.0;
}

void setMist(bool on) {
  mistOn = on;
  changedAt = millis();
  digitalWrite(MIST_PIN, on ? LOW : HIGH);
  digitalWrite(LAMP_PIN, on ? HIGH : LOW);
}

void control() {
  unsigned long now = millis();
  if (now - lastReading > 20000) {
    air.empty();
    if (mistOn) setMist(false);
    return;
  }
  if (mistOn && now - changedAt > 3600000UL) {
    setMist(false);
    return;
  }
  if (!air.full() || now - changedAt < (mistOn ? 120000 : 60000)) return;
  float value = air.mean();
  if (!mistOn && value <= START_AT) setMist(true);
  else if (mistOn && value >= STOP_AT) setMist(false);
}

void show(float now) {
  lcd.setCursor(0, 0);
  lcd.print("RH ");
  if (now < 0) lcd.print("--");
  else lcd.print(now, 1);
  lcd.print(mistOn ? "% on   " : "% off  ");
  lcd.setCursor(0, 1);
  if (!shelf.full()) lcd.print("--");
  else lcd.print(shelf.mean(), 1);
  lcd.write(0xDF);
  lcd.print("F av ");
  if (!air.full()) lcd.print("--   ");
  else lcd.print(air.mean(), 1);
  lcd.print("  ");
}

void logRow(const char *probe, float now, int decimals, float average) {
  Serial.print(millis());
  Serial.print(probe);
  if (now > -1) Serial.print(now, decimals);
  Serial.print(",");
  if (average > -1) Serial.print(average, decimals);
  Serial.print(",mist,");
  Serial.println(mistOn ? "on" : "off");
}

void setup() {
  digitalWrite(MIST_PIN, HIGH);
  pinMode(MIST_PIN, OUTPUT);
  pinMode(LAMP_PIN, OUTPUT);
  Serial.begin(115200);
  lcd.begin();
  Serial.println("ms,probe,raw,average,load,state");
}

void loop() {
  float now = readAir();
  if (now != lastValue) sameSince = millis();
  lastValue = now;
  if (now >= 0 && millis() - sameSince < 7200000UL) {
    air.add(now);
    lastReading = millis();
  }
  float degrees = readShelf();
  if (degrees > -999) {
    shelf.add(degrees);
  }
  control();
  show(now);
  logRow(",air,", now, 2, air.full() ? air.mean() : -1);
  logRow(",shelf,", degrees, 1, shelf.full() ? shelf.mean() : -1);
  delay(2000);
}
