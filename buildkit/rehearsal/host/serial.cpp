// Serial ports: bytes come and go at the spacing of their baud rate.
//
// A UART's receiver works by itself into the core's buffer.  Software listens
// to one pin at a time; on the AVR it holds everything else up while a byte
// comes in, elsewhere it counts edges by interrupts or in hardware of its own.
#include <deque>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <string>
#include <vector>

#include "engine.h"

namespace host {

struct Coming {
  ns_t from, till;          // first edge, end of the stop bit
  uint32_t baud;
  uint8_t byte;
};
struct Answer {
  std::string request, reply, into;
  uint32_t baud;
  ns_t after;
};
struct Line {
  std::string end;          // "0": a UART, "PD7": a pin
  int rx, tx;               // -1 for a UART
  bool open;
  uint32_t baud;
  Ring ring;
  std::deque<Coming> coming;
  ns_t sent_until;          // when all bytes given so far are on the wire
  std::string tail;         // last bytes sent, in which requests are found
  std::vector<Answer> answers;
  bool told_speed;
};

// Made on first use: the ports of core and sketch are objects that ask for it
// before main() begins.
static std::deque<Line> &all_lines() {
  static std::deque<Line> lines;
  return lines;
}
static Line *listening;     // the one that software listens with
static int usb_host;
static std::string unsent;  // bytes for one port that are told together
static int unsent_index;
static ns_t unsent_at;
ns_t next_arrival = NEVER;
uint64_t bytes_lost;
struct Heard { int pin; uint32_t baud; };
static std::vector<Heard> heard_pins;

static ns_t bits(uint32_t baud, unsigned tenths) {
  return (ns_t)tenths * 100000000u / baud;
}

static Line &line_at(const std::string &end) {
  for (Line &line : all_lines())
    if (line.end == end) return line;
  all_lines().emplace_back();
  Line &line = all_lines().back();
  line.end = end;
  line.rx = line.tx = -1;
  line.ring.size = 64;
  line.ring.next = NEVER;
  return line;
}

static const char *port_of(int pin) {
  for (int i = 0; i < host_pin_count; i++)
    if (host_pins[i].number == pin) return host_pins[i].port;
  return "?";
}

Line *uart_line(int index) {
  return &line_at(std::to_string(index));
}

Line *soft_line(int rx, int tx) {
  Line &line = line_at(port_of(rx));
  line.rx = rx;
  line.tx = tx;
  return &line;
}

Ring *line_ring(Line *line) {
  return &line->ring;
}

void line_begin(Line *line, uint32_t baud, size_t buffer) {
  act();
  line->baud = baud;
  line->ring.size = buffer;
  line->open = true;
  if (line->rx >= 0) line_listen(line);
}

void line_listen(Line *line) {
  act();
  if (listening && listening != line) listening->ring.count = 0;
  listening = line;
}

// --- coming in ---------------------------------------------------------------------

static void know_next(Line &line) {
  line.ring.next = line.coming.empty() ? NEVER : line.coming.front().till;
  next_arrival = NEVER;
  for (const Line &other : all_lines())
    if (other.ring.next < next_arrival && other.open) next_arrival = other.ring.next;
}

static bool same_speed(Line &line, const Coming &c) {
  const uint32_t apart = line.baud > c.baud ? line.baud - c.baud : c.baud - line.baud;
  if (apart * 25 <= line.baud) return true;
  if (!line.told_speed && line.rx < 0)
    report("b %llu %s %u %u\n", (unsigned long long)c.till, line.end.c_str(), line.baud, c.baud);
  line.told_speed = true;
  return false;
}

static void lose(const Line &line, const Coming &c) {
  bytes_lost++;
  if (line.rx < 0) report("o %llu %s\n", (unsigned long long)c.till, line.end.c_str());
}

static void into_ring(Line &line, const Coming &c) {
  Ring &ring = line.ring;
  const bool heard = line.open && (line.rx < 0 || listening == &line);
  if (!heard || !same_speed(line, c)) return;
  if (ring.count + 1 > ring.size - (line.rx < 0)) return lose(line, c);
  ring.bytes[(ring.head + ring.count++) % sizeof ring.bytes] = c.byte;
}

void line_pull(Line *line) {
  if (line->ring.next > now) return;
  if (trying) take_back();
  while (!line->coming.empty() && line->coming.front().till <= now) {
    into_ring(*line, line->coming.front());
    line->coming.pop_front();
  }
  know_next(*line);
}

int line_read(Line *line, bool keep) {
  spend(US);
  line_pull(line);
  Ring &ring = line->ring;
  if (!ring.count) return -1;
  const int byte = ring.bytes[ring.head];
  if (keep) return byte;
  act();
  ring.head = (ring.head + 1) % sizeof ring.bytes;
  ring.count--;
  return byte;
}

void serial_bytes(const char *end, uint32_t baud, ns_t from, const uint8_t *bytes, size_t count) {
  Line &line = line_at(end);
  // Bytes that are asked for while others still come wait for their turn.
  if (!line.coming.empty() && line.coming.back().till > from) from = line.coming.back().till;
  for (size_t i = 0; i < count; i++) {
    line.coming.push_back({ from + i * bits(baud, 100), from + (i + 1) * bits(baud, 100), baud, bytes[i] });
  }
  know_next(line);
}

// --- software that listens ----------------------------------------------------------

#if defined(HOST_AVR)
// The receiver is an interrupt that stays until the stop bit: all else waits.
static ns_t on_since;       // interrupts have been on from here

ns_t serial_due() {
  if (!listening || listening->coming.empty() || interrupts_off) return NEVER;
  return listening->coming.front().from;
}

void serial_world() {
  if (!listening || interrupts_off) return;
  Line &line = *listening;
  while (!line.coming.empty() && line.coming.front().from <= now) {
    const Coming c = line.coming.front();
    line.coming.pop_front();
    // An edge that was seen more than half a bit late gives another byte.
    if (on_since > c.from + bits(c.baud, 5)) {
      bytes_lost++;
    } else {
      // What the sketch was at goes on after the stop bit; a controller that
      // it waited for went on meanwhile.
      const ns_t over = c.from + bits(c.baud, 95);
      now = !hardware_works ? now + bits(c.baud, 95) : now > over ? now : over;
      into_ring(line, c);
    }
  }
  know_next(line);
}

void serial_interrupts_back(ns_t) {
  on_since = now;
  if (listening && !listening->coming.empty() && listening->coming.front().from <= now) due = now;
}
#else
ns_t serial_due() {
  return NEVER;
}

void serial_world() {}

// Edges closer together than the pause melt into one, so the byte is another.
void serial_interrupts_back(ns_t since) {
#if !defined(HOST_RP2040)
  if (!listening || listening->coming.empty()) return;
  line_pull(listening);
  const ns_t bit = bits(listening->baud ? listening->baud : 9600, 10);
  while (now - since > bit && !listening->coming.empty() && listening->coming.front().from < now) {
    lose(*listening, listening->coming.front());
    listening->coming.pop_front();
  }
  know_next(*listening);
#else
  (void)since;  // the chip's own state machines listen
#endif
}
#endif

// --- going out -------------------------------------------------------------------------

static void tell_unsent() {
  if (unsent.empty()) return;
  const char *bytes = unsent.data();
  if (unsent_index == USB)
    report_bytes('U', unsent_at, "usb", (const uint8_t *)bytes, unsent.size());
  else
    report_bytes('u', unsent_at, std::to_string(unsent_index).c_str(), (const uint8_t *)bytes, unsent.size());
  unsent.clear();
}

static void tell_sent(int index, uint8_t byte) {
  if (index != unsent_index || now - unsent_at > 50 * MS) tell_unsent();
  if (unsent.empty()) unsent_at = now;
  unsent_index = index;
  unsent += (char)byte;
  if (byte == '\n') tell_unsent();
}

void serial_close() {
  tell_unsent();
}

static void look_for_request(Line &line, uint8_t byte) {
  line.tail += (char)byte;
  if (line.tail.size() > 64) line.tail.erase(0, 32);
  for (const Answer &a : line.answers) {
    const size_t n = a.request.size();
    if (!n || line.tail.size() < n || line.tail.compare(line.tail.size() - n, n, a.request)) continue;
    line.tail.clear();
    serial_bytes(a.into.c_str(), a.baud, line.sent_until + a.after, (const uint8_t *)a.reply.data(), a.reply.size());
    return;
  }
}

size_t line_room(Line *line) {
  spend(US);
  if (line->end == "9") return usb_host == 1 ? 64 : 0;
  if (!line->baud || line->sent_until <= now) return 63;
  const size_t waiting = (size_t)((line->sent_until - now) / bits(line->baud, 100));
  return waiting >= 63 ? 0 : 63 - waiting;
}

static void soft_send(Line &line, uint8_t byte) {
  const ns_t time = bits(line.baud, 100);
#if defined(HOST_AVR)
  // Sent with interrupts off, bit by bit.
  interrupts_off = true;
  off_since = now;
  spend(time);
  interrupts_on();
#else
  spend(time);
#endif
  line.sent_until = now;
  for (const Heard &h : heard_pins)
    if (h.pin == line.tx && h.baud == line.baud)
      report_bytes('t', now, port_of(line.tx), &byte, 1);
}

void line_send(Line *line, uint8_t byte) {
  act();
  spend(8 * US);
  if (!line->open) return;
  if (line->rx >= 0) {
    soft_send(*line, byte);
  } else if (line->end == "9") {
    if (usb_host == 1) tell_sent(USB, byte);
    return;
  } else {
    while (!line_room(line)) spend(20 * US);
    tell_sent(atoi(line->end.c_str()), byte);
    line->sent_until = (line->sent_until > now ? line->sent_until : now) + bits(line->baud, 100);
  }
  // An answer may be asked of the pin that sends, or of the UART.
  Line &asked = line->tx >= 0 ? line_at(port_of(line->tx)) : *line;
  asked.sent_until = line->sent_until;
  look_for_request(asked, byte);
}

void serial_answer(const char *by, const char *into, uint32_t baud, ns_t after,
                   const uint8_t *request, size_t request_count, const uint8_t *reply, size_t reply_count) {
  Line &line = line_at(by);
  const std::string asked((const char *)request, request_count), said((const char *)reply, reply_count);
  for (size_t i = 0; i < line.answers.size(); i++)
    if (line.answers[i].request == asked) line.answers.erase(line.answers.begin() + (long)i--);
  if (reply_count) line.answers.push_back({ asked, said, into, baud, after });
}

void serial_listen(int pin, uint32_t baud) {
  heard_pins.push_back({ pin, baud });
}

void serial_usb(int host) {
  usb_host = host;
}

void serial_reset() {
  for (Line &line : all_lines()) {
    line.open = false;
    line.ring.count = line.ring.head = 0;
    line.sent_until = now;
    line.tail.clear();
    while (!line.coming.empty() && line.coming.front().till <= now) line.coming.pop_front();
    know_next(line);
  }
  listening = nullptr;
}

}  // namespace host
