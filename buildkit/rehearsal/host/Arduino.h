// Stands in for the header of every core: what the written sketches use of it,
// played by engine.h.  Where cores differ, the family's own way is played.
#pragma once

#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "engine.h"

#if defined(HOST_SAMD) || defined(HOST_STM32) || defined(HOST_RA4M1) || defined(HOST_RP2040)
// These cores have types of their own here, which whole numbers do not turn into.
enum PinStatus { LOW, HIGH, CHANGE, FALLING, RISING };
enum PinMode { INPUT, OUTPUT, INPUT_PULLUP, INPUT_PULLDOWN, OUTPUT_OPENDRAIN };
#else
typedef uint8_t PinStatus, PinMode;
#define LOW 0
#define HIGH 1
#define INPUT 0
#define OUTPUT 1
#define INPUT_PULLUP 2
#define OUTPUT_OPENDRAIN 4
#if defined(HOST_ESP8266) || defined(HOST_ESP32)
#define OUTPUT_OPEN_DRAIN OUTPUT_OPENDRAIN
#endif
#define CHANGE 5
#define FALLING 6
#define RISING 7
#endif
#define DEC 10
#define HEX 16
#define SERIAL_8N1 6
#define PROGMEM
#define IRAM_ATTR
#define ICACHE_RAM_ATTR
#define pgm_read_byte(at) (*(const uint8_t *)(at))
#define pgm_read_word(at) (*(const uint16_t *)(at))
#define constrain(value, low, high) ((value) < (low) ? (low) : (value) > (high) ? (high) : (value))
#define _BV(bit) (1 << (bit))
typedef uint8_t byte;
typedef bool boolean;
class __FlashStringHelper;
#define F(text) (reinterpret_cast<const __FlashStringHelper *>(text))

// --- time, interrupts -----------------------------------------------------------

inline uint32_t millis() {
  host::spend(host::US);
  return host::millisecond();
}
inline uint32_t micros() {
  host::spend(host::US);
  return (uint32_t)(host::now / host::US);
}
inline void delay(uint32_t ms) { host::wait(ms * host::MS); }
inline void yield() { host::spend(host::US); }
inline void delayMicroseconds(uint32_t us) {
  host::pins_check_registers();
  host::act();
  host::spend(us * host::US);
  host::pins_fill_registers();
}
inline void noInterrupts() {
  host::pins_check_registers();
  host::act();
  if (!host::interrupts_off) host::off_since = host::now;
  host::interrupts_off = true;
}
inline void interrupts() {
  host::pins_check_registers();
  host::interrupts_on();
}

// --- pins --------------------------------------------------------------------------

inline void pinMode(int pin, PinMode mode) {
  host::spend(host::US);
  host::pin_mode(pin, mode == OUTPUT ? host::DRIVEN
                      : mode == OUTPUT_OPENDRAIN ? host::OPEN_DRAIN
                      : mode == INPUT_PULLUP ? host::PULLED_UP : host::FLOATING);
}
inline void digitalWrite(int pin, PinStatus level) {
  host::spend(host::US);
  host::pin_write(pin, level != LOW);
}
inline PinStatus digitalRead(int pin) {
  host::spend(host::US);
  return host::pin_read(pin) ? HIGH : LOW;
}
// A square wave is played as what a lamp would show of it: the pin is high while it sounds.
inline void tone(int pin, unsigned int hz) {
  host::spend(host::US);
  host::pin_mode(pin, host::DRIVEN);
  host::pin_write(pin, hz != 0);
}
inline void noTone(int pin) {
  host::spend(host::US);
  host::pin_write(pin, false);
}
inline int analogRead(int pin) { return host::pin_convert(pin); }
#define digitalPinToInterrupt(pin) (pin)
inline void attachInterrupt(int number, void (*handler)(), PinStatus mode) {
  host::change_interrupt(number, handler, mode);
}
#define digitalPinToPort(pin) (pin)
#define digitalPinToBitMask(pin) 1
#define portModeRegister(port) host::mode_register(port)
#define portInputRegister(port) host::input_register(port)

// --- text and ports -------------------------------------------------------------------

class Print {
 public:
  virtual size_t write(uint8_t c) = 0;
  virtual size_t write(const uint8_t *bytes, size_t n) {
    size_t sent = 0;
    while (sent < n && write(bytes[sent])) sent++;
    return sent;
  }
  size_t write(const char *text) { return write((const uint8_t *)text, strlen(text)); }
  virtual int availableForWrite() { return 0; }
  size_t print(const __FlashStringHelper *text) { return write(reinterpret_cast<const char *>(text)); }
  size_t print(const char *text) { return write(text); }
  size_t print(char c) { return write((uint8_t)c); }
  size_t print(unsigned char n) { return print((unsigned long)n); }
  size_t print(int n) { return print((long)n); }
  size_t print(unsigned int n) { return print((unsigned long)n); }
  size_t print(long n) {
    if (n >= 0) return print((unsigned long)n);
    return write('-') + print(0UL - (unsigned long)n);
  }
  size_t print(unsigned long n) {
    char digits[24], *at = digits + sizeof digits - 1;
    *at = 0;
    do *--at = (char)('0' + n % 10);
    while (n /= 10);
    return write(at);
  }
  size_t println() { return write("\r\n"); }
  template <class T> size_t println(T what) {
    const size_t n = print(what);
    return n + println();
  }

 protected:
  ~Print() = default;
};

class Stream : public Print {
 public:
  virtual int available() = 0;
  virtual int read() = 0;
  virtual int peek() = 0;

 protected:
  ~Stream() = default;
};

class HardwareSerial : public Stream {
 public:
  explicit HardwareSerial(int index) : line(host::uart_line(index)), ring(host::line_ring(line)) {}
  // A receiver that is given its pins: only some cores have that.
  void begin(uint32_t baud, uint32_t = SERIAL_8N1, int = -1, int = -1) { host::line_begin(line, baud, 64); }
  bool setRX(int) { return true; }
  bool setTX(int) { return true; }
  void setDebugOutput(bool) {}
  int available() override { return host::line_available(line, ring); }
  int read() override { return host::line_read(line, false); }
  int peek() override { return host::line_read(line, true); }
  int availableForWrite() override { return (int)host::line_room(line); }
  using Print::write;
  size_t write(uint8_t c) override {
    host::line_send(line, c);
    return 1;
  }
  bool dtr() const { return host::line_room(line) > 0; }
  explicit operator bool() const { return true; }

 private:
  host::Line *const line;
  host::Ring *const ring;
};

#include "board.h"  // made for each board: its ports and the names of its pins
#include "family.h"
