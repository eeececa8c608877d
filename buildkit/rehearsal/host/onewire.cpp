// 1-Wire thermometers on any pin.
//
// Slot times, commands and scratchpad after the DS18B20 data sheet (19-7487),
// "1-Wire Signaling" and "DS18B20 Function Commands". The sketch drives one
// thermometer a pin and searches for none, so no search is played.
#include <string.h>
#include <vector>

#include "engine.h"

namespace host {

enum Step { ASLEEP, ROM_COMMAND, MATCHING, COMMAND, SENDING, BUSY, STORING };
static const ns_t PRESENCE_FROM = 30 * US, PRESENCE_TO = 150 * US, HOLD = 30 * US;

struct Probe {
  int pin;
  uint8_t rom[8];
  bool present, fixed, converting;
  uint8_t pad[9];
  int raw, found;
  ns_t ready_at;
  Step step;
  uint8_t bits[9];
  int position, total;
};
struct Line1 {
  int pin;
  ns_t fell_at, low_from, low_to;  // while a probe holds the line
};
static std::vector<Probe> probes;
static std::vector<Line1> lines;

static uint8_t crc8(const uint8_t *bytes, int count) {
  uint8_t crc = 0;
  for (int i = 0; i < count; i++) {
    crc ^= bytes[i];
    for (int bit = 0; bit < 8; bit++) crc = crc & 1 ? crc >> 1 ^ 0x8C : crc >> 1;
  }
  return crc;
}

static void store(Probe &p, int raw) {
  p.pad[0] = (uint8_t)raw;
  p.pad[1] = (uint8_t)(raw >> 8);
  p.pad[8] = crc8(p.pad, 8);
}

static void power_up(Probe &p) {
  static const uint8_t fresh[9] = { 0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10, 0 };
  p.step = ASLEEP;
  p.converting = false;
  if (p.fixed) return;
  memcpy(p.pad, fresh, sizeof fresh);
  p.pad[8] = crc8(p.pad, 8);
}

static void begin(Probe &p, Step step, int total) {
  p.step = step;
  p.position = 0;
  p.total = total;
}

static void finish(Probe &p) {
  if (!p.converting || now < p.ready_at) return;
  p.converting = false;
  if (!p.fixed) store(p, p.found);
}

static void send(Probe &p, const uint8_t *bytes, int count) {
  memcpy(p.bits, bytes, (size_t)count);
  begin(p, SENDING, count * 8);
}

static void convert(Probe &p) {
  const int short_by = 3 - (p.pad[4] >> 5 & 3);  // bits less than twelve read as nought
  p.converting = true;
  p.found = p.raw & ~((1 << short_by) - 1);
  p.ready_at = now + (750 * MS >> short_by);
  begin(p, BUSY, 0);
}

static void take_command(Probe &p) {
  char port[16] = "";
  for (int i = 0; i < host_pin_count; i++)
    if (host_pins[i].number == p.pin) strncpy(port, host_pins[i].port, sizeof port - 1);
  report("1 %llu %s command %02x\n", (unsigned long long)now, port, p.bits[0]);
  finish(p);
  switch (p.bits[0]) {
    case 0x44: return convert(p);
    case 0xBE: return send(p, p.pad, 9);
    case 0x4E: return begin(p, STORING, 24);
    default: p.step = ASLEEP;
  }
}

static void received(Probe &p) {
  if (p.step == ROM_COMMAND) {
    if (p.bits[0] == 0xCC) begin(p, COMMAND, 8);
    else if (p.bits[0] == 0x55) begin(p, MATCHING, 64);
    else if (p.bits[0] == 0x33) send(p, p.rom, 8);
    else p.step = ASLEEP;
  } else if (p.step == MATCHING) {
    if (memcmp(p.bits, p.rom, 8)) p.step = ASLEEP;
    else begin(p, COMMAND, 8);
  } else if (p.step == COMMAND) {
    take_command(p);
  } else if (p.step == STORING) {
    memcpy(p.pad + 2, p.bits, 3);
    p.pad[8] = crc8(p.pad, 8);
    p.step = ASLEEP;
  }
}

static bool pulls(Probe &p) {
  finish(p);
  if (p.step == SENDING)
    return p.position < p.total && !(p.bits[p.position / 8] >> (p.position % 8) & 1);
  return p.step == BUSY && p.converting;
}

static void slot_over(Probe &p, bool bit) {
  if (p.step == SENDING) {
    p.position++;
  } else if (p.step != ASLEEP && p.step != BUSY) {
    uint8_t &byte = p.bits[p.position / 8];
    const int place = p.position % 8;
    byte = (uint8_t)((place ? byte : 0) | bit << place);
    if (++p.position == p.total) received(p);
  }
}

static void reset_seen(Line1 &line, const char *port) {
  bool any = false;
  for (Probe &p : probes) {
    if (p.pin != line.pin || !p.present) continue;
    any = true;
    finish(p);
    begin(p, ROM_COMMAND, 8);
  }
  report("1 %llu %s reset %s\n", (unsigned long long)now, port, any ? "answered" : "silent");
  line.low_from = now + PRESENCE_FROM;
  line.low_to = any ? now + PRESENCE_TO : 0;
}

static void rises(Line1 &line, const char *port) {
  const ns_t low = now - line.fell_at;
  if (low >= 480 * US) return reset_seen(line, port);
  // A part may look anywhere from 15 to 60 us after the edge.
  if (low > 15 * US && low < 60 * US)
    report("1 %llu %s slot %u\n", (unsigned long long)now, port, (unsigned)(low / US));
  for (Probe &p : probes)
    if (p.pin == line.pin && p.present) slot_over(p, low < 37 * US);
}

void onewire_moved(int pin, bool low) {
  for (Line1 &line : lines) {
    if (line.pin != pin) continue;
    const char *port = "";
    for (int i = 0; i < host_pin_count; i++)
      if (host_pins[i].number == pin) port = host_pins[i].port;
    if (!low) return rises(line, port);
    line.fell_at = now;
    for (Probe &p : probes) {
      if (p.pin != pin || !p.present || !pulls(p)) continue;
      line.low_from = now;
      line.low_to = now + HOLD;
    }
    return;
  }
}

bool onewire_here(int pin) {
  for (const Line1 &line : lines)
    if (line.pin == pin) return true;
  return false;
}

bool onewire_pulls(int pin) {
  for (const Line1 &line : lines)
    if (line.pin == pin) return now >= line.low_from && now < line.low_to;
  return false;
}

static Probe &probe_on(int pin, const uint8_t *code) {
  if (!onewire_here(pin)) lines.push_back({ pin, 0, 0, 0 });
  for (Probe &p : probes)
    if (p.pin == pin && !memcmp(p.rom, code, 8)) return p;
  Probe fresh = {};
  fresh.pin = pin;
  memcpy(fresh.rom, code, 8);
  fresh.raw = 0x0550;
  power_up(fresh);
  probes.push_back(fresh);
  return probes.back();
}

void onewire_present(int pin, const uint8_t *code, bool present) {
  Probe &p = probe_on(pin, code);
  if (present && !p.present) power_up(p);
  p.present = present;
}

void onewire_next(int pin, const uint8_t *code, int sixteenths) {
  Probe &p = probe_on(pin, code);
  p.raw = sixteenths;
  p.fixed = false;
}

void onewire_scratchpad(int pin, const uint8_t *code, const uint8_t *nine) {
  Probe &p = probe_on(pin, code);
  memcpy(p.pad, nine, 9);
  p.fixed = true;
}

}  // namespace host
