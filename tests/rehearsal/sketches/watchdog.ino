// Lets the watchdog bite in four ways, one after each reset, and tells what it saw.
#include <Arduino.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

static uint8_t stage __attribute__((section(".noinit")));
static volatile uint8_t barks = 0;

ISR(WDT_vect) { barks++; }

static void arm(uint8_t bits) { // 64 ms
  noInterrupts();
  wdt_reset();
  WDTCSR = _BV(WDCE) | _BV(WDE);
  WDTCSR = bits | _BV(WDP1);
  interrupts();
}

void setup() {
  uint8_t cause = MCUSR;
  MCUSR = 0;
  wdt_disable();
  if (cause & _BV(PORF)) stage = 0;
  stage++;
  Serial.begin(115200);
  Serial.print(stage);
  Serial.print(' ');
  Serial.println(cause);
  Serial.flush();
  if (stage == 1) { // periodic interrupt, no reset
    arm(_BV(WDIE));
    delay(400);
    wdt_disable();
    Serial.println(barks);
    Serial.flush();
    arm(_BV(WDE));
    for (;;) {
    }
  }
  if (stage == 2) { // interrupt first, then reset
    arm(_BV(WDE) | _BV(WDIE));
    while (!barks) {
    }
    Serial.println(F("barked"));
    Serial.flush();
    for (;;) {
    }
  }
  if (stage == 3) { // a hang with interrupts off must not be safe from the watchdog
    arm(_BV(WDE) | _BV(WDIE));
    noInterrupts();
    for (;;) {
    }
  }
  if (stage == 4) { // asleep with interrupts off
    arm(_BV(WDE));
    noInterrupts();
    sleep_enable();
    sleep_cpu();
  }
  if (stage == 5) { // fed in time, nothing happens
    wdt_enable(WDTO_60MS);
    for (uint8_t i = 0; i < 20; i++) {
      delay(30);
      wdt_reset();
    }
    wdt_disable();
    Serial.println(F("fed"));
  }
}

void loop() {}
