/* The two-wire (I2C) bus: the chip's controller, and the devices on it.
 *
 * The library's controller is replaced altogether: it takes one microsecond for a
 * bit at any bus speed and none for a start, cannot lose the bus to a line held
 * low, and knows no write collision, on which the core's library relies.
 * States and bits follow the ATmega328P datasheet, section 22 (2-wire Serial
 * Interface). The chip as a slave is not played.
 */
#include <stdlib.h>
#include <string.h>

#include "avr_twi.h"
#include "chip_engine.h"

enum { TWINT = 0x80, TWEA = 0x40, TWSTA = 0x20, TWSTO = 0x10, TWWC = 0x08, TWEN = 4, TWIE = 1 };
enum { MOST_BYTES = 256 };

enum phase { IDLE, STARTED, WRITING, READING };
enum action { NOTHING, START, BYTE, STOP };

struct reply {
	struct reply *next;
	const uint8_t *prefix, *bytes;
	int prefix_count, count;
	bool once, spent;
};

static struct device {
	bool present;
	uint32_t busy_us;
	cycles_t busy_until;
	struct reply busy; /* given meanwhile; without any bytes it refuses */
	uint8_t written[MOST_BYTES]; /* last write, which chooses the reply */
	int written_count;
	struct reply *replies;
} devices[128];

static avr_twi_t *twi;
static enum phase phase;
static enum action action;
static struct timer timer;
static uint8_t address; /* with the direction bit */
static uint8_t moved[MOST_BYTES];
static int moved_count;
static struct reply *reply;
static bool sda_held, scl_held;
static int clocks_to_free;
static struct pin *sda, *scl;

static void go_on(void);

/* ---- the devices ---- */

static struct reply *reply_of(struct device *device)
{
	struct reply *best = NULL;

	for (struct reply *r = device->replies; r; r = r->next)
		if (!r->spent && r->prefix_count <= device->written_count &&
		    !memcmp(r->prefix, device->written, (size_t)r->prefix_count) &&
		    (!best || r->prefix_count + r->once > best->prefix_count + best->once))
			best = r;
	return best;
}

static bool answers(void)
{
	struct device *device = &devices[address >> 1];

	if (!device->present)
		return false;
	if (!(address & 1))
		return true;
	if (chip->cycle < device->busy_until) {
		reply = &device->busy;
		return reply->count > 0;
	}
	reply = reply_of(device);
	return true;
}

/* Tell of the transfer that ends here, and let the device act on it. */
static void close_transfer(void)
{
	struct device *device = &devices[address >> 1];
	char who[4];

	if (phase != WRITING && phase != READING)
		return;
	snprintf(who, sizeof who, "%02x", address >> 1);
	report_bytes(phase == WRITING ? 'w' : 'r', who, moved, moved_count);
	if (phase == READING && reply && reply->once)
		reply->spent = true;
	if (phase == WRITING) {
		memcpy(device->written, moved, (size_t)moved_count);
		device->written_count = moved_count;
		device->busy_until = chip->cycle + cycles_in_us(device->busy_us);
	}
}

/* ---- the controller ---- */

static cycles_t bit_cycles(void)
{
	uint32_t prescale = 1u << (2 * (chip->data[twi->r_twsr] & 3));

	return 16u + 2u * chip->data[twi->r_twbr] * prescale;
}

static void set_status(uint8_t status)
{
	chip->data[twi->r_twsr] = (uint8_t)(status | (chip->data[twi->r_twsr] & 3));
}

static void done(uint8_t status)
{
	action = NOTHING;
	set_status(status);
	avr_raise_interrupt(chip, &twi->twi);
}

static void address_sent(void)
{
	bool acknowledged;

	address = chip->data[twi->r_twdr];
	moved_count = 0;
	acknowledged = answers();
	if (!acknowledged)
		report('n', " %02x %c", address >> 1, address & 1 ? 'r' : 'w');
	/* Not acknowledged, the bus is still the chip's, but nothing can be moved. */
	phase = !acknowledged ? STARTED : address & 1 ? READING : WRITING;
	if (address & 1)
		done(acknowledged ? 0x40 : 0x48);
	else
		done(acknowledged ? 0x18 : 0x20);
}

static void byte_sent(void)
{
	bool acknowledged = devices[address >> 1].present;

	if (moved_count < MOST_BYTES)
		moved[moved_count++] = chip->data[twi->r_twdr];
	done(acknowledged ? 0x28 : 0x30);
}

static void byte_received(void)
{
	uint8_t byte = 0xff; /* nobody pulls the line low */

	if (reply && moved_count < reply->count && devices[address >> 1].present)
		byte = reply->bytes[moved_count];
	if (sda_held)
		byte = 0;
	if (moved_count < MOST_BYTES)
		moved[moved_count++] = byte;
	chip->data[twi->r_twdr] = byte;
	done(chip->data[twi->r_twcr] & TWEA ? 0x50 : 0x58);
}

static void byte_over(void)
{
	if (phase != READING && sda_held && chip->data[twi->r_twdr] != 0) {
		close_transfer();
		phase = IDLE;
		report('a', " %02x", address >> 1);
		done(0x38); /* a one went out and a zero was seen: bus lost */
	} else if (phase == STARTED) {
		address_sent();
	} else if (phase == WRITING) {
		byte_sent();
	} else {
		byte_received();
	}
}

static void stop_over(void)
{
	close_transfer();
	phase = IDLE;
	action = NOTHING;
	set_status(0xf8);
	chip->data[twi->r_twcr] &= (uint8_t)~TWSTO;
	if (chip->data[twi->r_twcr] & TWSTA) {
		action = START;
		go_on();
	}
}

static void start_over(void)
{
	uint8_t status = phase == IDLE ? 0x08 : 0x10;

	close_transfer();
	phase = STARTED;
	done(status);
}

static void action_over(void *param)
{
	(void)param;
	if (scl_held || (sda_held && action != BYTE))
		return; /* go_on() is called again when the line is free */
	if (action == START)
		start_over();
	else if (action == BYTE)
		byte_over();
	else if (action == STOP)
		stop_over();
}

/* Start the time that the wanted action takes, once the lines allow it. */
static void go_on(void)
{
	if (action == NOTHING || scl_held || (sda_held && action != BYTE))
		return;
	timer_arm(&timer, chip->cycle + bit_cycles() * (action == BYTE ? 9 : 1), action_over, NULL);
}

static void switch_off(void)
{
	close_transfer();
	timer_stop(&timer);
	action = NOTHING;
	phase = IDLE;
	set_status(0xf8);
	chip->data[twi->r_twcr] &= (uint8_t) ~(TWINT | TWSTA | TWSTO | TWWC);
	avr_clear_interrupt(chip, &twi->twi);
}

static void begin(uint8_t control, bool flag_cleared)
{
	if (control & TWSTO && phase == IDLE)
		chip->data[twi->r_twcr] &= (uint8_t)~TWSTO;
	if (control & TWSTO && phase != IDLE)
		action = STOP;
	else if (control & TWSTA)
		action = START;
	else if (flag_cleared && phase != IDLE)
		action = BYTE;
	go_on();
}

static void control_written(avr_t *avr, avr_io_addr_t at, uint8_t value, void *param)
{
	bool flag = avr->data[at] & TWINT;
	bool clears = value & TWINT;

	(void)param;
	avr->data[at] = (uint8_t)((value & ~(TWINT | TWWC)) | (avr->data[at] & TWWC));
	if (!(value & TWEN)) {
		switch_off();
		return;
	}
	if (flag && !clears) { /* the bus waits until the flag is cleared */
		avr->data[at] |= TWINT;
		if (value & TWIE)
			avr_raise_interrupt(avr, &twi->twi);
		return;
	}
	if (clears)
		avr_clear_interrupt(avr, &twi->twi);
	if (action == NOTHING)
		begin(value, flag && clears);
}

static void data_written(avr_t *avr, avr_io_addr_t at, uint8_t value, void *param)
{
	(void)param;
	if (avr->data[twi->r_twcr] & TWINT) {
		avr->data[at] = value;
		avr->data[twi->r_twcr] &= (uint8_t)~TWWC;
	} else {
		avr->data[twi->r_twcr] |= TWWC;
	}
}

static uint8_t data_read(avr_t *avr, avr_io_addr_t at, void *param)
{
	(void)param;
	return avr->data[at];
}

static void status_written(avr_t *avr, avr_io_addr_t at, uint8_t value, void *param)
{
	(void)param;
	avr->data[at] = (uint8_t)((avr->data[at] & 0xf8) | (value & 3));
}

/* ---- the lines ---- */

/* A device that lost count lets go of the data line after some clock pulses, which
 * the sketch makes by hand. */
static void clock_driven(struct pin *pin, void *param)
{
	static bool low;

	(void)param;
	if (low && pin->state != LOW && clocks_to_free > 0 && --clocks_to_free == 0)
		twowire_hold(false, false, 0);
	low = pin->state == LOW;
}

static void pull_up(void)
{
	bool second_form = strncmp(chip->mmcu, "atmega328", 9) != 0;

	if (sda)
		return;
	sda = pin_named(second_form ? "PD1" : "PC4");
	scl = pin_named(second_form ? "PD0" : "PC5");
	scl->driven = clock_driven;
	pin_drive(sda, 1);
	pin_drive(scl, 1);
}

void twowire_hold(bool hold_sda, bool hold_scl, int clocks)
{
	pull_up();
	sda_held = hold_sda;
	scl_held = hold_scl;
	clocks_to_free = clocks;
	pin_drive(sda, !hold_sda);
	pin_drive(scl, !hold_scl);
	if (!timer.armed)
		go_on();
}

void twowire_present(int at, bool present)
{
	pull_up();
	devices[at & 127].present = present;
}

void twowire_busy(int at, uint32_t busy_us, const uint8_t *bytes, int count)
{
	devices[at & 127].busy_us = busy_us;
	devices[at & 127].busy = (struct reply){.bytes = bytes, .count = count};
}

void twowire_reply(int at, const uint8_t *prefix, int prefix_count, const uint8_t *bytes, int count,
                   bool once)
{
	struct device *device = &devices[at & 127];
	struct reply *r = device->replies;

	while (r && (r->once != once || r->prefix_count != prefix_count ||
	             memcmp(r->prefix, prefix, (size_t)prefix_count)))
		r = r->next;
	if (!r) {
		r = calloc(1, sizeof *r);
		if (!r)
			refuse("out of memory");
		r->next = device->replies;
		device->replies = r;
		r->prefix = prefix;
		r->prefix_count = prefix_count;
	}
	r->bytes = bytes;
	r->count = count;
	r->once = once;
	r->spent = false;
}

void twowire_after_reset(void)
{
	if (!twi)
		return;
	switch_off();
	chip->data[twi->r_twdr] = 0xff;
}

void twowire_start(void)
{
	twi = find_module("twi", 0, 0);
	if (!twi)
		return;
	instead_of_write(twi->r_twcr, control_written, NULL);
	instead_of_write(twi->r_twdr, data_written, NULL);
	instead_of_read(twi->r_twdr, data_read, NULL);
	instead_of_write(twi->r_twsr, status_written, NULL);
}
