// Walks pin 7 through all that a pin can do, then counts edges on pin 2.
#include <Arduino.h>

static volatile uint16_t edges = 0;

static void count() { edges++; }

void setup() {
  digitalWrite(7, HIGH);
  pinMode(7, OUTPUT);
  digitalWrite(7, LOW);
  pinMode(7, INPUT);
  pinMode(3, INPUT_PULLUP);
  attachInterrupt(digitalPinToInterrupt(2), count, RISING);
  Serial.begin(115200);
}

void loop() {
  static uint32_t next_ms = 100;
  if (millis() < next_ms) return;
  next_ms += 100;
  digitalWrite(4, !digitalRead(4)); // writes to the same port as pins 2 and 3
  Serial.print(edges);
  Serial.print(' ');
  Serial.print(digitalRead(3));
  Serial.print(' ');
  Serial.println(digitalRead(6));
}
