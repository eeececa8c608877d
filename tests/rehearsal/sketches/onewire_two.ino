// Finds all thermometers on one wire, sets the first to 9 bits, and reads each by its code.
#include <Arduino.h>

#include "bitbang.h"

static uint8_t codes[4][8];
static uint8_t found = 0;

static uint8_t read_bit() {
  noInterrupts();
  low();
  delayMicroseconds(1);
  release();
  delayMicroseconds(2);
  uint8_t bit = digitalRead(line);
  interrupts();
  delayMicroseconds(60);
  return bit;
}

static void write_bit(uint8_t bit) {
  noInterrupts();
  low();
  delayMicroseconds(bit ? 2 : 62);
  release();
  interrupts();
  delayMicroseconds(bit ? 62 : 4);
}

// One walk down the tree of codes: at a fork beyond `last` take 0, at `last` take 1.
static int8_t walk(uint8_t *code, int8_t last) {
  int8_t fork = -1;
  for (uint8_t place = 0; place < 64; place++) {
    uint8_t bit = read_bit(), other = read_bit();
    if (bit && other) return -2;
    if (bit == other) {
      if (place < last) bit = code[place / 8] >> (place % 8) & 1;
      else bit = place == last;
      if (!bit) fork = place;
    }
    code[place / 8] = (code[place / 8] & ~(1 << place % 8)) | bit << place % 8;
    write_bit(bit);
  }
  return fork;
}

static void find_all() {
  uint8_t code[8] = {0};
  int8_t last = -1;
  do {
    if (!reset_line()) return;
    write_byte(0xF0);
    last = walk(code, last);
    if (last == -2) return;
    memcpy(codes[found++], code, 8);
  } while (last >= 0 && found < 4);
}

static void select(uint8_t which) {
  reset_line();
  write_byte(0x55);
  for (uint8_t i = 0; i < 8; i++) write_byte(codes[which][i]);
}

static void tell(uint8_t value) {
  if (value < 16) Serial.print('0');
  Serial.print(value, HEX);
}

void setup() {
  Serial.begin(115200);
  find_all();
  for (uint8_t i = 0; i < found; i++) {
    for (uint8_t k = 0; k < 8; k++) tell(codes[i][k]);
    Serial.println();
  }
  select(0);
  write_byte(0x4E);
  write_byte(0x4B);
  write_byte(0x46);
  write_byte(0x1F);
  for (uint8_t i = 0; i < found; i++) {
    select(i);
    write_byte(0x44);
    uint32_t began_ms = millis();
    while (!read_bit()) {
    }
    Serial.println(millis() - began_ms);
    select(i);
    write_byte(0xBE);
    for (uint8_t k = 0; k < 9; k++) tell(read_byte());
    Serial.println();
  }
}

void loop() {}
