// The two-wire (I2C) bus and the devices on it, a transfer at a time.
#include <stdio.h>
#include <string.h>
#include <vector>

#include "engine.h"

namespace host {

typedef std::vector<uint8_t> Bytes;
struct Reply {
  Bytes after, bytes;
  bool once;
};
static struct Device {
  bool present;
  uint32_t busy_us;
  ns_t busy_until;
  Bytes busy_bytes;         // what it answers meanwhile; without any it refuses
  Bytes written;            // the last write, which chooses the reply
  std::vector<Reply> replies;
} devices[128];

uint32_t bus_hz = 100000;
ns_t bus_patience = NEVER;
static bool sda_held, scl_held;
static int clocks_to_free;

static void bits(unsigned count) {
  spend_beside((ns_t)count * 1000000000u / bus_hz);
}

static void tell(char kind, uint8_t address, const uint8_t *bytes, size_t count) {
  char who[4];
  snprintf(who, sizeof who, "%02x", address);
  report_bytes(kind, now, who, bytes, count);
}

// Whether the lines let a transfer through; if not, after the core's patience.
static bool free_lines(uint8_t address, ns_t patience) {
  if (!sda_held && !scl_held) return true;
  const ns_t from = now;
  while ((sda_held || scl_held) && now - from < patience) spend(patience / 200 + US);
  if (!sda_held && !scl_held) return true;
  report("a %llu %02x\n", (unsigned long long)now, address);
  return false;
}

Ending bus_write(uint8_t address, const uint8_t *bytes, size_t count, ns_t patience) {
  act();
  if (!free_lines(address, patience)) return HELD;
  Device &device = devices[address & 127];
  bits(11);
  if (!device.present) {
    report("n %llu %02x w\n", (unsigned long long)now, address);
    return REFUSED;
  }
  for (size_t i = 0; i < count; i++) {
    bits(9);
    if (!device.present) return DATA_REFUSED;
  }
  tell('w', address, bytes, count);
  device.written.assign(bytes, bytes + count);
  device.busy_until = now + device.busy_us * US;
  return DONE;
}

static Reply *reply_of(Device &device) {
  Reply *best = nullptr;
  for (Reply &r : device.replies) {
    if (r.after.size() > device.written.size()) continue;
    if (!std::equal(r.after.begin(), r.after.end(), device.written.begin())) continue;
    if (!best || r.after.size() + r.once > best->after.size() + best->once) best = &r;
  }
  return best;
}

Ending bus_read(uint8_t address, uint8_t *bytes, size_t count, ns_t patience) {
  act();
  if (!free_lines(address, patience)) return HELD;
  Device &device = devices[address & 127];
  bits(11);
  const bool busy = now < device.busy_until;
  if (!device.present || (busy && device.busy_bytes.empty())) {
    report("n %llu %02x r\n", (unsigned long long)now, address);
    return REFUSED;
  }
  Reply *const reply = busy ? nullptr : reply_of(device);
  const Bytes said = busy ? device.busy_bytes : reply ? reply->bytes : Bytes();
  if (reply && reply->once) device.replies.erase(device.replies.begin() + (reply - device.replies.data()));
  for (size_t i = 0; i < count; i++) {
    bits(9);
    // Nobody pulls the line low after the last byte of the reply.
    bytes[i] = i < said.size() && device.present ? said[i] : 0xFF;
    if (sda_held) bytes[i] = 0;
  }
  tell('r', address, bytes, count);
  return DONE;
}

void bus_present(int address, bool present) {
  devices[address & 127].present = present;
}

void bus_busy(int address, uint32_t us, const uint8_t *bytes, size_t count) {
  devices[address & 127].busy_us = us;
  devices[address & 127].busy_bytes.assign(bytes, bytes + count);
}

void bus_reply(int address, const uint8_t *after, size_t after_count, const uint8_t *bytes, size_t count, bool once) {
  Device &device = devices[address & 127];
  const Bytes prefix(after, after + after_count);
  for (Reply &r : device.replies) {
    if (r.after == prefix && r.once == once) {
      r.bytes.assign(bytes, bytes + count);
      return;
    }
  }
  device.replies.push_back({ prefix, Bytes(bytes, bytes + count), once });
}

void bus_hold(bool sda, bool scl, int clocks) {
  sda_held = sda;
  scl_held = scl;
  clocks_to_free = clocks;
}

// A device that lost count lets go after some pulses made by hand on the clock.
void bus_clocked(int pin, bool low) {
  if (pin != host_scl || low || clocks_to_free <= 0) return;
  if (--clocks_to_free == 0) sda_held = scl_held = false;
}

bool bus_holds(int pin) {
  return (pin == host_sda && sda_held) || (pin == host_scl && scl_held);
}

}  // namespace host
