#pragma once
// A character display behind an eight-bit expander, in the manner of the classes
// that people use for it.
class Lcd : public Print {
 public:
  void begin() {
    Wire.begin();
    delay(50);
    nibble(0x30, 0);
    delay(5);
    nibble(0x30, 0);
    delay(1);
    nibble(0x30, 0);
    nibble(0x20, 0);
    command(0x28);
    command(0x0C);
    command(0x06);
    command(0x01);
    delay(2);
  }
  void setCursor(byte column, byte row) { command(0x80 | (column + (row ? 0x40 : 0))); }
  virtual size_t write(uint8_t c) {
    send(c, 1);
    return 1;
  }
  using Print::write;

 private:
  void expander(byte value) {
    Wire.beginTransmission(0x27);
    Wire.write(value | 0x08);
    Wire.endTransmission();
  }
  void nibble(byte value, byte mode) {
    expander(value | mode);
    expander(value | mode | 0x04);
    delayMicroseconds(1);
    expander(value | mode);
    delayMicroseconds(50);
  }
  void send(byte value, byte mode) {
    nibble(value & 0xF0, mode);
    nibble(value << 4, mode);
  }
  void command(byte value) { send(value, 0); }
};
Lcd lcd;

class Average {
 public:
  Average(int readings) : size(readings) {}
  void add(float value) {
    values[next] = value;
    next = (next + 1) % size;
    if (count < size) count++;
  }
  void empty() { count = next = 0; }
  bool full() { return count == size; }
  float mean() {
    float sum = 0;
    for (int i = 0; i < count; i++) sum += values[i];
    return sum / count;
  }

 private:
  float values[10];
  int size, count = 0, next = 0;
};
