// The hood as such sketches are usually written: one thing after another, each
// waited for. The baseline of test_plain_sketch.py; nobody should build it.
#include <Wire.h>
#include <SoftwareSerial.h>

#define SENSOR_PIN 8
#define HOOD_PIN 7
#define START_AT 15.0
#define STOP_AT 9.0

#ifdef HAVE_HWSERIAL1
#define sensor Serial1
#else
SoftwareSerial sensor(SENSOR_PIN, 9);
#endif

#include "usual.h"

Average average(10);
bool hoodOn = false;
unsigned long changedAt = 0, lastReading = 0, calmSince = 0;

// The fine dust in ug/m3, or -1.
int readSensor() {
  byte frame[32];
  while (sensor.available()) sensor.read();
  if (!sensor.find((char *)"\x42\x4D")) return -1;
  if (sensor.readBytes(frame + 2, 30) != 30) return -1;
  unsigned int sum = 0x42 + 0x4D;
  for (int i = 2; i < 30; i++) sum += frame[i];
  if (sum != (unsigned int)(frame[30] << 8 | frame[31])) return -1;
  return frame[12] << 8 | frame[13];
}

void setHood(bool on) {
  hoodOn = on;
  changedAt = millis();
  calmSince = 0;
  digitalWrite(HOOD_PIN, on ? HIGH : LOW);
}

void control() {
  unsigned long now = millis();
  if (now - lastReading > 15000) {
    average.empty();
    if (hoodOn) setHood(false);
    return;
  }
  if (hoodOn && now - changedAt > 14400000UL) {
    setHood(false);
    return;
  }
  if (!average.full() || now - changedAt < 60000) return;
  float value = average.mean();
  if (!hoodOn) {
    if (value >= START_AT) setHood(true);
  } else if (value >= START_AT) {
    calmSince = 0;
  } else {
    if (value <= STOP_AT && calmSince == 0) calmSince = now;
    if (calmSince != 0 && now - calmSince > 120000) setHood(false);
  }
}

void show(int now) {
  lcd.setCursor(0, 0);
  lcd.print("PM2.5 ");
  if (now < 0) lcd.print("--");
  else lcd.print(now);
  lcd.print(" ug/m3   ");
  lcd.setCursor(0, 1);
  lcd.print("avg ");
  if (!average.full()) lcd.print("--");
  else lcd.print(average.mean(), 0);
  lcd.print(hoodOn ? " on      " : " off     ");
}

void setup() {
  pinMode(HOOD_PIN, OUTPUT);
  digitalWrite(HOOD_PIN, LOW);
  Serial.begin(115200);
  sensor.begin(9600);
  sensor.setTimeout(1500);
  lcd.begin();
  Serial.println("ms,probe,raw,average,load,state");
  delay(30000);  // the sensor's fan must settle
}

void loop() {
  int now = readSensor();
  if (now >= 0) {
    average.add(now);
    lastReading = millis();
  }
  control();
  show(now);
  Serial.print(millis());
  Serial.print(",smoke,");
  if (now >= 0) Serial.print(now);
  Serial.print(",");
  if (average.full()) Serial.print(average.mean(), 0);
  Serial.print(",hood,");
  Serial.println(hoodOn ? "on" : "off");
  delay(100);
}
