// Reads the scenario: what the world does, and when. signals.py makes the lines.
#include <algorithm>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <string>
#include <vector>

#include "engine.h"

namespace host {

enum Verb { SEND, ANSWER, USB_HOST, LEVEL, ADC, POKE, PEEK, RESET_CHIP, PULSES, PRESENT, BUSY, REPLY, BUS, PROBE, NEXT, SCRATCHPAD };
static const char *const VERBS[] = { "send", "answer", "usb", "level", "adc", "poke", "peek", "reset", "pulses", "present",
                                     "busy", "reply", "bus", "probe", "next", "scratchpad" };
// Words are kept as text and read when their time comes: most items are bytes
// of one frame, of which a week has half a million.
struct Item {
  ns_t when;
  const char *words;
  uint32_t order;
  Verb verb;
};
static std::vector<Item> items;
static size_t next_item;

static std::vector<std::string> split(const char *text) {
  std::vector<std::string> words;
  for (const char *at = text; *at;) {
    const size_t length = strcspn(at, " \n");
    if (length) words.emplace_back(at, length);
    at += length;
    if (*at) at++;
  }
  words.resize(12);
  return words;
}

static std::string bytes_of(const std::string &text) {
  std::string bytes;
  if (text == "-") return bytes;
  if (text.empty() || text.size() % 2) refuse("bad bytes in the scenario: %.60s", text.c_str());
  for (size_t i = 0; i < text.size(); i += 2) {
    char *end;
    bytes += (char)strtoul(text.substr(i, 2).c_str(), &end, 16);
    if (*end) refuse("bad bytes in the scenario: %.60s", text.c_str());
  }
  return bytes;
}

static const uint8_t *raw(const std::string &bytes) {
  return (const uint8_t *)bytes.data();
}

static long long number(const std::string &text) {
  char *end;
  const long long value = strtoll(text.c_str(), &end, 10);
  if (*end || text.empty()) refuse("bad number in the scenario: %.60s", text.c_str());
  return value;
}

static int choice(const std::string &text, const char *a, const char *b, const char *c) {
  const char *const choices[] = { a, b, c };
  for (int i = 0; i < 3; i++)
    if (choices[i] && text == choices[i]) return i;
  refuse("unknown word in the scenario: %.60s", text.c_str());
}

// Address 1 stands for the core's millisecond counter.
static void poke(const std::string &address, const std::string &bytes) {
  if (address == "1") {
    uint32_t value = 0;
    memcpy(&value, bytes.data(), std::min<size_t>(4, bytes.size()));
    shift_clock(value);
  } else {
    memcpy((void *)(uintptr_t)number(address), bytes.data(), bytes.size());
  }
}

static void peek(const std::string &address, long long count) {
  uint32_t clock = millisecond();
  const void *at = address == "1" ? (void *)&clock : (void *)(uintptr_t)number(address);
  report_bytes('m', now, address.c_str(), (const uint8_t *)at, (size_t)count);
}

static void play_wires(Verb verb, const std::vector<std::string> &w) {
  const std::string a = verb == BUS || verb == PRESENT || verb == BUSY ? "" : bytes_of(w[1]);
  switch (verb) {
    case PRESENT: return bus_present((int)number(w[0]), choice(w[1], "no", "yes", nullptr));
    case BUSY: {
      const std::string bytes = bytes_of(w[2]);
      return bus_busy((int)number(w[0]), (uint32_t)number(w[1]), raw(bytes), bytes.size());
    }
    case REPLY: {
      const std::string bytes = bytes_of(w[2]);
      const bool once = choice(w[3], "always", "once", nullptr);
      return bus_reply((int)number(w[0]), raw(a), a.size(), raw(bytes), bytes.size(), once);
    }
    case BUS: {
      const int line = choice(w[0], "free", "sda", "scl");
      return bus_hold(line == 1, line == 2, (int)number(w[1]));
    }
    case PROBE: return onewire_present(pin_named(w[0].c_str()), raw(a), choice(w[2], "no", "yes", nullptr));
    case NEXT: return onewire_next(pin_named(w[0].c_str()), raw(a), (int)number(w[2]));
    default: {
      const std::string nine = bytes_of(w[2]);
      if (nine.size() != 9) refuse("nine bytes are needed in the scenario, not: %.60s", w[2].c_str());
      return onewire_scratchpad(pin_named(w[0].c_str()), raw(a), raw(nine));
    }
  }
}

static void play_item(const Item &item) {
  const std::vector<std::string> w = split(item.words);
  switch (item.verb) {
    case SEND: {
      const std::string bytes = bytes_of(w[2]);
      return serial_bytes(w[0].c_str(), (uint32_t)number(w[1]), item.when, raw(bytes), bytes.size());
    }
    case ANSWER: {
      const std::string request = bytes_of(w[4]), reply = bytes_of(w[5]);
      return serial_answer(w[0].c_str(), w[1].c_str(), (uint32_t)number(w[2]), (ns_t)number(w[3]) * US,
                           raw(request), request.size(), raw(reply), reply.size());
    }
    case USB_HOST: return serial_usb(choice(w[0], "none", "reading", "stuck"));
    case LEVEL: return pin_drive(pin_named(w[0].c_str()), choice(w[1], "none", "0", "1") - 1);
    case PULSES: return pin_pulses(pin_named(w[0].c_str()), (ns_t)number(w[1]) * US, item.when);
    case ADC: return pin_adc((int)number(w[0]), (int)number(w[1]));
    case POKE: return poke(w[0], bytes_of(w[1]));
    case PEEK: return peek(w[0], number(w[1]));
    case RESET_CHIP: reset(choice(w[0], "power", "external", nullptr) ? EXTERNAL : POWER);
    default: return play_wires(item.verb, w);
  }
}

ns_t scenario_due() {
  return next_item < items.size() ? items[next_item].when : NEVER;
}

void scenario_world() {
  while (next_item < items.size() && items[next_item].when <= now) play_item(items[next_item++]);
}

static void add_item(char *line) {
  char *at = line + 3, *verb;
  Item item = {};
  item.when = strtoull(at, &verb, 10) * US;
  while (*verb == ' ') verb++;
  const size_t length = strcspn(verb, " \n");
  for (size_t i = 0; i < sizeof VERBS / sizeof *VERBS; i++) {
    if (strlen(VERBS[i]) != length || strncmp(VERBS[i], verb, length)) continue;
    item.verb = (Verb)i;
    item.words = strdup(verb + length);
    item.order = (uint32_t)items.size();
    items.push_back(item);
    return;
  }
  refuse("unknown word in the scenario: %.60s", verb);
}

static void read_line(char *line) {
  if (!strncmp(line, "at ", 3)) return add_item(line);
  const std::vector<std::string> w = split(line);
  if (w[0] == "watch") pin_watch(pin_named(w[1].c_str()));
  else if (w[0] == "listen") serial_listen(pin_named(w[1].c_str()), (uint32_t)number(w[2]));
  else if (w[0] == "supply") supply_is((int)number(w[1]), (int)number(w[2]));
  else if (w[0] == "boot") {
    boot_ns = (ns_t)number(w[1]) * US;
    boot_clears = choice(w[2], "keep", "clear", nullptr);
  } else if (w[0] == "until") {
    until = (ns_t)number(w[1]) * US;
  } else if (!w[0].empty()) {
    refuse("unknown word in the scenario: %.60s", w[0].c_str());
  }
}

void scenario_read() {
  char *line = nullptr;
  size_t room = 0;
  while (getline(&line, &room, stdin) > 0) read_line(line);
  free(line);
  std::sort(items.begin(), items.end(), [](const Item &a, const Item &b) {
    return a.when != b.when ? a.when < b.when : a.order < b.order;
  });
}

}  // namespace host
