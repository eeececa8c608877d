// Why an ESP8266 started; what of it is used stands in family.h.
#pragma once
