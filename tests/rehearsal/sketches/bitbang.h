// A 1-Wire master on pin 5, written for these sketches alone.
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
