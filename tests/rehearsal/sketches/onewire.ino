// Reads a 1-Wire thermometer with its own bit-banging, once a second.
#include <Arduino.h>

static const uint8_t line = 5;

static void low() {
  digitalWrite(line, LOW);
  pinMode(line, OUTPUT);
}

static void release() { pinMode(line, INPUT); }

static bool reset_line() {
  low();
  delayMicroseconds(500);
  noInterrupts();
  release();
  delayMicroseconds(70);
  bool there = !digitalRead(line);
  interrupts();
  delayMicroseconds(430);
  return there;
}

static void write_byte(uint8_t value) {
  for (uint8_t i = 0; i < 8; i++) {
    bool one = value >> i & 1;
    noInterrupts();
    low();
    delayMicroseconds(one ? 2 : 62);
    release();
    interrupts();
    delayMicroseconds(one ? 62 : 4);
  }
}

static uint8_t read_byte() {
  uint8_t value = 0;
  for (uint8_t i = 0; i < 8; i++) {
    noInterrupts();
    low();
    delayMicroseconds(1);
    release();
    delayMicroseconds(2);
    value |= digitalRead(line) << i;
    interrupts();
    delayMicroseconds(60);
  }
  return value;
}

static void tell(uint8_t count) {
  while (count--) {
    uint8_t value = read_byte();
    if (value < 16) Serial.print('0');
    Serial.print(value, HEX);
  }
  Serial.println();
}

void setup() { Serial.begin(115200); }

void loop() {
  static uint32_t next_ms = 0;
  if (millis() < next_ms) return;
  next_ms += 1000;
  if (!reset_line()) {
    Serial.println(F("nobody"));
    return;
  }
  if (next_ms == 1000) {
    write_byte(0x33);
    tell(8);
    reset_line();
  }
  write_byte(0xCC);
  write_byte(0xBE);
  tell(9);
  reset_line();
  write_byte(0xCC);
  write_byte(0x44);
  uint32_t began_ms = millis();
  while (!read_byte()) {
  }
  Serial.println(millis() - began_ms);
}
