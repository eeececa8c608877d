// Runs setup() and loop() in virtual time until the scenario is over.
#include "engine.h"

#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/time.h>

void setup();
void loop();
// What a core runs before setup(), where a sketch has it.
void watchdogOff() __attribute__((weak));

// Where the sketch keeps the moment at which its pass began, if it does; see host.py.
uint32_t *host_pass_clock() __attribute__((weak));

// The sketch's own variables lie together in these two sections; see host.py.
extern char __start_sketch_data[] __attribute__((weak)), __stop_sketch_data[] __attribute__((weak));
extern char __start_sketch_bss[] __attribute__((weak)), __stop_sketch_bss[] __attribute__((weak));

namespace host {

ns_t now, due, rested, until, boot_ns;
uint64_t calls, acts;
bool trying, interrupts_off, boot_clears, hardware_works;
ns_t off_since;
ns_t dog_period, dog_deadline;
void (*dog_warns)();
bool dog_bites;
Cause cause;

enum Jump { TAKEN_BACK = 1, RESET, HUNG, OVER };
static const ns_t PASS = 40 * US;      // what a pass costs beside its calls
static const ns_t LONGEST_LEAP = 99 * MS;
static sigjmp_buf back_to_try, back_to_run;
static uint32_t clock_shift;           // milliseconds that the counter is ahead
static ns_t started;                   // when the sketch did
static uint64_t passes;
static ns_t longest_pass, asleep;
static volatile bool in_sketch;
static bool busy;                      // the world is at work
static const char *ended = "running";
static ns_t dog_after;                 // from the warning to the reset

// --- the sketch's memory ------------------------------------------------------------

struct Piece {
  char *at, *fresh, *last;
  size_t size;
};
static Piece pieces[2];
static char *clock_at, *clock_last;    // of the sketch's pass; null: it keeps none

static void know_memory() {
  char *const ends[2][2] = { { __start_sketch_data, __stop_sketch_data },
                             { __start_sketch_bss, __stop_sketch_bss } };
  for (int i = 0; i < 2; i++) {
    Piece &piece = pieces[i];
    piece.at = ends[i][0];
    piece.size = (size_t)(ends[i][1] - ends[i][0]);
    piece.fresh = (char *)malloc(piece.size + 1);
    piece.last = (char *)malloc(piece.size + 1);
    memcpy(piece.fresh, piece.at, piece.size);
    char *const clock = host_pass_clock ? (char *)host_pass_clock() : nullptr;
    if (clock >= ends[i][0] && clock < ends[i][1]) {
      clock_at = clock;
      clock_last = piece.last + (clock - piece.at);
    }
  }
}

// The moment at which a pass began differs with each, and is set anew before it counts.
static bool memory_moved() {
  if (clock_at) memcpy(clock_last, clock_at, sizeof(uint32_t));
  return memcmp(pieces[0].at, pieces[0].last, pieces[0].size) ||
         memcmp(pieces[1].at, pieces[1].last, pieces[1].size);
}

static bool memory_known;             // `last` is what stands there

static void keep_memory() {
  memory_known = true;
  for (const Piece &piece : pieces) memcpy(piece.last, piece.at, piece.size);
}

static void memory_back(char *Piece::*from) {
  for (const Piece &piece : pieces) memcpy(piece.at, piece.*from, piece.size);
}

// --- time -----------------------------------------------------------------------------

static void know_due() {
  due = scenario_due();
  if (serial_due() < due) due = serial_due();
  if (pins_due() < due) due = pins_due();
  if (dog_period && dog_deadline < due) due = dog_deadline;
  if (until < due) due = until;
}

static void dog_is_due() {
  if (dog_warns) {
    void (*const warns)() = dog_warns;
    dog_warns = nullptr;
    dog_deadline = now + dog_after;
    if (!dog_bites) dog_period = 0;
    warns();
  } else if (dog_bites) {
    reset(WATCHDOG);
  }
}

void world() {
  if (trying) take_back();
  if (busy) return;  // what happens now must not happen within itself
  while (now >= due) {
    if (now >= until) siglongjmp(back_to_run, OVER);
    busy = true;
    scenario_world();
    serial_world();
    pins_world();
    busy = false;
    if (dog_period && now >= dog_deadline) dog_is_due();
    know_due();
  }
}

static void go_to(ns_t when) {
  while (now < when) {
    const ns_t stop = when < due ? when : due;
    if (stop > now) now = stop;
    if (now >= due) world();
  }
}

static ns_t earliest_wake() {
  ns_t wake = now + TICK - (now - started) % TICK;
  if (next_arrival > now && next_arrival < wake) wake = next_arrival;
  if (due > now && due < wake) wake = due;
  return wake;
}

void sleep() {
  calls++;
  const ns_t from = now, wake = earliest_wake();
  if (wake >= due) {
    if (trying) take_back();
    go_to(wake);
  }
  now = now > wake ? now : wake;
  rested += now - from;
  asleep += now - from;
}

void wait(ns_t time) {
  calls++;
  const ns_t from = now, wake = now + time;
  if (wake >= due) {
    if (trying) take_back();
    go_to(wake);
  }
  now = now > wake ? now : wake;
  if (time <= MS) {  // a rest between passes
    rested += now - from;
    asleep += now - from;
  }
}

uint32_t millisecond() {
  return (uint32_t)((now - started) / TICK * TICK / MS) + clock_shift;
}

void shift_clock(uint32_t millis_now) {
  clock_shift = 0;
  clock_shift = millis_now - millisecond();
}

void interrupts_on() {
  const bool were_off = interrupts_off;
  interrupts_off = false;
  if (were_off) serial_interrupts_back(off_since);
}

// --- resets and hangs ---------------------------------------------------------------------

void dog_start(ns_t period, void (*warns)(), bool bites, ns_t after) {
  act();
  dog_after = after;
  dog_period = period;
  dog_warns = warns;
  dog_bites = bites;
  dog_deadline = now + period;
  know_due();
}

void reset(Cause why) {
  if (trying) take_back();
  cause = why;
  siglongjmp(back_to_run, RESET);
}

void take_back() {
  siglongjmp(back_to_try, TAKEN_BACK);
}

// Twenty milliseconds of this computer's time without one call of the core:
// no sketch needs that long for a pass, so it turns in a loop of its own.
static void look_for_hang(int) {
  static uint64_t seen;
  if (in_sketch && calls == seen) {
    if (trying) siglongjmp(back_to_try, TAKEN_BACK);
    siglongjmp(back_to_run, HUNG);
  }
  seen = calls;
}

static void start_hang_watch() {
  struct sigaction action = {};
  action.sa_handler = look_for_hang;
  action.sa_flags = SA_NODEFER | SA_RESTART;
  sigaction(SIGVTALRM, &action, nullptr);
  const itimerval every = { { 0, 20000 }, { 0, 20000 } };
  setitimer(ITIMER_VIRTUAL, &every, nullptr);
}

// The sketch turns in place for ever: only the watchdog or the world can end it.
static void stay_hung() {
  interrupts_off = false;
  for (;;) {
    calls++;
    go_to(due);
  }
}

// --- passes ----------------------------------------------------------------------------------

static ns_t last_moved, usual_gap;

// One pass at a later moment, on trial: whether nothing came of it.
static bool try_pass(ns_t later) {
  const ns_t then = now, deadline = dog_deadline, slept = asleep;
  trying = true;
  bool kept = false;
  if (!sigsetjmp(back_to_try, 0)) {
    now = then + later;
    rested = 0;
    loop();
    kept = !memory_moved();
  }
  trying = false;
  interrupts_off = false;
  if (kept) {
    asleep += later;
    passes++;
    return true;
  }
  memory_back(&Piece::last);
  now = then;
  dog_deadline = deadline;
  asleep = slept;
  return false;
}

// A pass that changed neither the world nor the sketch's memory depends on the
// clock alone, and what waits for a time goes on waiting until it has come. So
// if a pass some ticks later does nothing either, those between are left out.
// A leap is shorter than anything that may come and go by the clock (a beep).
static void leap() {
  // What the sketch does by the clock it does at even intervals: go near the
  // next time at once, and the last steps one by one.
  ns_t next = last_moved + usual_gap;
  while (usual_gap && next + 2 * TICK <= now) next += usual_gap;
  if (now + 3 * TICK > next && now < next + 2 * TICK) return;
  const bool guessed = next > now;
  ns_t span = guessed ? next - now - 2 * TICK : 48 * TICK;
  for (;;) {
    ns_t end = next_arrival < due ? next_arrival : due;
    end = end > now + 3 * TICK ? end - now - 2 * TICK : 0;
    if (span > end) span = end;
    if (span > LONGEST_LEAP) span = LONGEST_LEAP;
    span -= span % TICK;
    if (span < 2 * TICK) return;
    const bool kept = try_pass(span);
    if (kept && guessed) return;
    span = kept ? span * 2 : span / 2;
  }
}

static bool event_near() {
  return next_arrival < now + 4 * TICK || due < now + 4 * TICK;
}

// The sketch did something by its own clock: how long after the last time.
static void learn_gap(ns_t at) {
  static int odd;
  const ns_t gap = at - last_moved;
  if (gap < 32 * MS) return;  // part of the same doing
  last_moved = at;
  if (usual_gap && gap > usual_gap + usual_gap / 2 && ++odd < 4) return;
  odd = 0;
  usual_gap = gap;
}

static void one_pass() {
  const ns_t began = now;
  const uint64_t acted = acts;
  const bool calm = memory_known && !event_near();
  rested = 0;
  spend(PASS);
  loop();
  passes++;
  const ns_t took = now - began - rested;
  if (took > longest_pass) longest_pass = took;
  // Nothing to leap over, or something was done: look again after the next pass.
  if (acts != acted || event_near()) {
    memory_known = false;
  } else if (!memory_known) {
    keep_memory();
  } else if (memory_moved()) {
    keep_memory();
    if (calm) learn_gap(began);
    return;
  } else {
    return leap();
  }
  if (calm && acts != acted) learn_gap(began);
}

static void start() {
  static const char *const names[] = { "power", "external", "watchdog", "software" };
  report("R %llu %s\n", (unsigned long long)now, names[cause]);
  memory_back(&Piece::fresh);
  interrupts_off = trying = false;
  dog_period = 0;
  clock_shift = 0;
  pins_reset();
  serial_reset();
  know_due();
  go_to(now + boot_ns);
  core_starts();
  started = now;
}

static void run() {
  const int why = sigsetjmp(back_to_run, 0);
  trying = busy = hardware_works = false;
  if (why == OVER) return;
  in_sketch = true;
  if (why == HUNG) stay_hung();
  start();
  if (watchdogOff) watchdogOff();
  setup();
  keep_memory();
  for (;;) one_pass();
}

void report(const char *format, ...) {
  va_list list;
  va_start(list, format);
  vprintf(format, list);
  va_end(list);
}

void report_bytes(char kind, ns_t at, const char *who, const uint8_t *bytes, size_t count) {
  static const char digits[] = "0123456789abcdef";
  printf("%c %llu %s ", kind, (unsigned long long)at, who);
  if (!count) putchar('-');
  for (size_t i = 0; i < count; i++) {
    putchar(digits[bytes[i] >> 4]);
    putchar(digits[bytes[i] & 15]);
  }
  putchar('\n');
}

void refuse(const char *format, ...) {
  va_list list;
  va_start(list, format);
  vfprintf(stderr, format, list);
  fputc('\n', stderr);
  exit(1);
}

static void figures() {
  serial_close();
  report("s cycles %llu\n", (unsigned long long)until);
  report("s asleep_cycles %llu\n", (unsigned long long)asleep);
  report("s lowest_stack 0\ns ram_end 0\ns untouched_ram_bytes 0\n");
  report("s ended %s\n", ended);
  report("s passes %llu\n", (unsigned long long)passes);
  report("s longest_pass_ns %llu\n", (unsigned long long)longest_pass);
  report("s bytes_lost %llu\n", (unsigned long long)bytes_lost);
}

}  // namespace host

int main() {
  using namespace host;
  setvbuf(stdout, nullptr, _IOFBF, 1 << 20);
  know_memory();
  scenario_read();
  start_hang_watch();
  run();
  in_sketch = false;
  figures();
  return 0;
}
