// Tells the causes of reset since power came, and leaves them noted.
#include <Arduino.h>

void setup() {
  Serial.begin(115200);
  Serial.println(MCUSR);
}

void loop() {}
