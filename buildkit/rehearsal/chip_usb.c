/* A computer at the other end of a native USB port, reading the serial log.
 *
 * It does the least that makes the core believe a program has opened the port:
 * address, configuration, "terminal ready". Then it collects what the chip sends,
 * or, when stuck, stops collecting, as a computer does whose program hangs.
 * Requests after USB 2.0, section 9.4, and USB CDC 1.2 PSTN, section 6.3.
 */
#include <string.h>

#include "avr_usb.h"
#include "chip_engine.h"

enum { USBCON = 0xd8, UDCON = 0xe0, UDINT = 0xe1, UDIEN = 0xe2, DETACH = 1, SOFI = 4 };
enum { TICK_US = 200, TICKS_PER_FRAME = 5, SETTLE_TICKS = 50 };
enum { LOG_ENDPOINT = 3 }; /* bulk in, as the core's descriptors lay it out */

static const uint8_t requests[][8] = {
	{0x00, 0x05, 0x09, 0x00, 0, 0, 0, 0}, /* set address 9 */
	{0x00, 0x09, 0x01, 0x00, 0, 0, 0, 0}, /* set configuration 1 */
	{0x21, 0x22, 0x03, 0x00, 0, 0, 0, 0}, /* terminal ready */
};

static struct timer timer;
static enum usb_host host;
static unsigned ticks, step;
static bool answered;

static int transfer(uint32_t ctl, uint8_t pipe, uint8_t *bytes, uint32_t *count)
{
	struct avr_io_usb io = {.pipe = pipe, .sz = *count, .buf = bytes};
	int result = avr_ioctl(chip, ctl, &io);

	*count = io.sz;
	return result;
}

/* The library counts no frames; the core sends unfinished packets on each of them. */
static void start_of_frame(void)
{
	const avr_usb_t *usb = find_module("usb", 0, 0);

	chip->data[UDINT] |= SOFI;
	if (!(chip->data[UDIEN] & SOFI))
		return;
	for (int i = 0; i < chip->interrupts.vector_count; i++)
		if (chip->interrupts.vector[i]->vector == usb->usb_gen_vect)
			avr_raise_interrupt(chip, chip->interrupts.vector[i]);
}

/* One request after the other; each is over when its empty answer has been read. */
static void enumerate(void)
{
	uint8_t bytes[64];
	uint32_t count = 8;

	if (ticks < SETTLE_TICKS)
		return;
	if (ticks == SETTLE_TICKS) {
		avr_ioctl(chip, AVR_IOCTL_USB_RESET, NULL);
		return;
	}
	if (ticks % TICKS_PER_FRAME)
		return;
	if (!answered) {
		memcpy(bytes, requests[step], 8);
		answered = transfer(AVR_IOCTL_USB_SETUP, 0, bytes, &count) == 0;
	} else if (transfer(AVR_IOCTL_USB_READ, 0, bytes, &count) == 0) {
		answered = false;
		step++;
	}
}

static void collect(void)
{
	uint8_t bytes[64];
	uint32_t count = 0;

	if (transfer(AVR_IOCTL_USB_READ, LOG_ENDPOINT, bytes, &count) == 0 && count)
		report_bytes('U', "usb", bytes, (int)count);
}

static void tick(void *param)
{
	(void)param;
	timer_arm(&timer, chip->cycle + cycles_in_us(TICK_US), tick, NULL);
	if (chip->data[UDCON] & DETACH || !(chip->data[USBCON] & 0x80)) {
		ticks = step = 0;
		answered = false;
		return;
	}
	ticks++;
	if (ticks > SETTLE_TICKS && ticks % TICKS_PER_FRAME == 0)
		start_of_frame();
	if (step < ARRAY_SIZE(requests))
		enumerate();
	else if (host == USB_READING)
		collect();
}

void usb_host_is(enum usb_host now)
{
	if (!find_module("usb", 0, 0))
		refuse("the chip has no USB");
	host = now;
	if (now == USB_NONE)
		timer_stop(&timer);
	else if (!timer.armed)
		timer_arm(&timer, chip->cycle + 1, tick, NULL);
}
