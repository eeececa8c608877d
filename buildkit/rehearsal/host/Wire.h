// The two-wire bus as its controller's library has it.
#pragma once

#include "Arduino.h"

class TwoWire : public Print {
 public:
  void begin() { waits = FIRST_PATIENCE; }
  void setClock(uint32_t hz) { host::bus_hz = hz; }
  void beginTransmission(uint8_t to) {
    address = to;
    filled = 0;
  }
  using Print::write;
  size_t write(uint8_t c) override {
    if (filled == sizeof out) return 0;
    out[filled++] = c;
    return 1;
  }
  size_t write(const uint8_t *bytes, size_t n) override { return Print::write(bytes, n); }
  uint8_t endTransmission(bool = true) {
    switch (host::bus_write(address, out, filled, patience())) {
      case host::DONE: return 0;
      case host::REFUSED: return 2;
      case host::DATA_REFUSED: return 3;
      default: return held();
    }
  }
  uint8_t requestFrom(uint8_t from, size_t n, bool = true) {
    got = at = 0;
    if (n > sizeof in) n = sizeof in;
    const host::Ending ending = host::bus_read(from, in, n, patience());
    if (ending == host::HELD) held();
    if (ending == host::DONE) got = n;
    return (uint8_t)got;
  }
  int available() { return (int)(got - at); }
  int read() { return at < got ? in[at++] : -1; }
#if !defined(HOST_ESP8266)  // whose bus is made by hand and has no end
  void end() { host::spend(host::US); }
#endif
#if defined(HOST_AVR)
  void setWireTimeout(uint32_t us, bool) { waits = us * host::US; }
  bool getWireTimeoutFlag() { return timed_out; }
  void clearWireTimeoutFlag() { timed_out = false; }
#elif defined(HOST_ESP8266)
  void setClockStretchLimit(uint32_t us) { waits = us * host::US; }
#elif defined(HOST_ESP32)
  void setTimeOut(uint16_t ms) { waits = ms * host::MS; }
#elif defined(HOST_RP2040)
  void setTimeout(uint32_t ms, bool) { waits = ms * host::MS; }
  bool getTimeoutFlag() { return timed_out; }
  void clearTimeoutFlag() { timed_out = false; }
#elif defined(HOST_RA4M1)
  void setWireTimeout(unsigned int us, bool = false) { waits = us * host::US; }
#endif

 private:
  // What the core waits for a line that is held, unless told otherwise; some
  // have no end, and there only the watchdog helps.
#if defined(HOST_STM32) || defined(HOST_RA4M1)
  static const host::ns_t FIRST_PATIENCE = 100 * host::MS;
#elif defined(HOST_ESP32)
  static const host::ns_t FIRST_PATIENCE = 50 * host::MS;
#elif defined(HOST_ESP8266)
  static const host::ns_t FIRST_PATIENCE = 230 * host::US;
#else
  static const host::ns_t FIRST_PATIENCE = 1000000 * host::MS;
#endif
  host::ns_t patience() const { return waits < host::bus_patience ? waits : host::bus_patience; }
  uint8_t held() {
    timed_out = true;
    return 5;
  }
  host::ns_t waits;
  uint8_t address, out[32], in[32];
  size_t filled, got, at;
  bool timed_out;
};

extern TwoWire Wire;
