// Answers an edge on pin 2 with one on pin 7, as fast as the chip can.
#include <Arduino.h>

ISR(INT0_vect, ISR_NAKED) { __asm__ volatile("sbi %0, 7\n\treti" ::"I"(_SFR_IO_ADDR(PORTD))); }

void setup() {
  noInterrupts();
  TCCR0B = TCCR1B = TCCR2B = 0; // no timer runs
  DDRD = _BV(7);
  EICRA = _BV(ISC01) | _BV(ISC00);
  EIMSK = _BV(INT0);
  interrupts();
  for (;;) {
  }
}

void loop() {}
