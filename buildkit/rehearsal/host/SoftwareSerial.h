// Software serial: one receiver listens at a time.
#pragma once

#include "Arduino.h"

class SoftwareSerial : public Stream {
 public:
  SoftwareSerial(int rx, int tx) : line(host::soft_line(rx, tx)), ring(host::line_ring(line)) {}
  void begin(uint32_t baud) { host::line_begin(line, baud, 64); }
  bool listen() {
    host::line_listen(line);
    return true;
  }
  int available() override { return host::line_available(line, ring); }
  int read() override { return host::line_read(line, false); }
  int peek() override { return host::line_read(line, true); }
  using Print::write;
  size_t write(uint8_t c) override {
    host::line_send(line, c);
    return 1;
  }

 private:
  host::Line *const line;
  host::Ring *const ring;
};
