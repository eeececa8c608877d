// Idle sleep: the next interrupt ends it.
#pragma once

#include "../engine.h"

#define SLEEP_MODE_IDLE 0
inline void set_sleep_mode(int) {}
inline void sleep_mode() { host::sleep(); }
