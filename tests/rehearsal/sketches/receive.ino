// Passes on every byte that comes in, while a device on the two-wire bus is kept busy.
#include <Arduino.h>
#include <SoftwareSerial.h>
#include <Wire.h>

#if defined(ARDUINO_AVR_MEGA2560)
static SoftwareSerial soft(10, 11);
#define HARD Serial1
#define OUT Serial
#elif defined(ARDUINO_AVR_LEONARDO)
static SoftwareSerial soft(8, 9);
#define HARD Serial1
#define OUT Serial1
#else
static SoftwareSerial soft(8, 9);
#define HARD Serial
#define OUT Serial
#endif

static void pass_on(char from, int value) {
  static const char digits[] = "0123456789abcdef";
  OUT.write(from);
  OUT.write(digits[value >> 4]);
  OUT.write(digits[value & 15]);
}

void setup() {
  HARD.begin(9600);
#if defined(ARDUINO_AVR_MEGA2560)
  OUT.begin(115200);
#endif
  soft.begin(9600);
  Wire.begin();
}

void loop() {
  while (soft.available()) pass_on('s', soft.read());
  while (HARD.available()) pass_on('h', HARD.read());
  Wire.beginTransmission(0x27);
  for (uint8_t i = 0; i < 6; i++) Wire.write(i);
  Wire.endTransmission();
}
