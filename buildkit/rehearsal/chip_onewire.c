/* 1-Wire thermometers on any pin, several on one pin if need be.
 *
 * Slot times, commands and scratchpad after the DS18B20 datasheet (19-7487),
 * sections "1-Wire Signaling" and "DS18B20 Function Commands". Powered by its own
 * wire; parasite power is not played.
 */
#include <stdlib.h>
#include <string.h>

#include "chip_engine.h"

enum mode { DESELECTED, ROM_COMMAND, MATCHING, SEARCHING, COMMAND, SENDING, BUSY, STORING };

enum { PRESENCE_WAIT_US = 30, PRESENCE_US = 120, HOLD_US = 30 }; /* the part's own times */
enum { RESET_US = 480, ZERO_US = 60, ONE_US = 15 };               /* the chip's, at their limits */

struct probe {
	struct probe *next;
	uint8_t rom[8];
	bool present;
	uint8_t scratchpad[9];
	int16_t raw;         /* what the next conversion finds, 1/16 degC */
	bool fixed;          /* the scratchpad was given whole and stays */
	bool converting;
	cycles_t ready_at;
	int16_t found;
	enum mode mode;
	uint8_t bits[9];     /* being sent or received */
	int position, total;
	int search_step;
};

struct bus {
	struct pin *pin;
	struct probe *probes;
	bool low;            /* held by the chip */
	cycles_t fell_at;
	struct timer pull, release;
};

static struct bus buses[8];
static int bus_count;

static uint8_t crc8(const uint8_t *bytes, int count)
{
	uint8_t crc = 0;

	for (int i = 0; i < count; i++) {
		crc ^= bytes[i];
		for (int bit = 0; bit < 8; bit++)
			crc = (uint8_t)(crc & 1 ? crc >> 1 ^ 0x8c : crc >> 1);
	}
	return crc;
}

static void store(struct probe *probe, int16_t raw)
{
	probe->scratchpad[0] = (uint8_t)(raw & 0xff);
	probe->scratchpad[1] = (uint8_t)((uint16_t)raw >> 8);
	probe->scratchpad[8] = crc8(probe->scratchpad, 8);
}

static void power_up(struct probe *probe)
{
	static const uint8_t fresh[9] = {0x50, 0x05, 0x4b, 0x46, 0x7f, 0xff, 0x0c, 0x10, 0};

	if (!probe->fixed)
		memcpy(probe->scratchpad, fresh, sizeof fresh);
	probe->mode = DESELECTED;
	probe->converting = false;
	if (!probe->fixed)
		probe->scratchpad[8] = crc8(probe->scratchpad, 8);
}

/* ---- one probe ---- */

static void begin(struct probe *probe, enum mode mode, int total)
{
	probe->mode = mode;
	probe->position = 0;
	probe->total = total;
}

static void finish_conversion(struct probe *probe)
{
	if (!probe->converting || chip->cycle < probe->ready_at)
		return;
	probe->converting = false;
	if (!probe->fixed)
		store(probe, probe->found);
}

static void convert(struct probe *probe)
{
	int resolution = probe->scratchpad[4] >> 5 & 3; /* 0: 9 bits, 3: 12 bits */

	probe->converting = true;
	/* 9 to 11 bits leave the last bits undefined; they read as zero here. */
	probe->found = (int16_t)(probe->raw & ~((1 << (3 - resolution)) - 1));
	probe->ready_at = chip->cycle + cycles_in_us(750000u >> (3 - resolution));
	begin(probe, BUSY, 0);
}

static void send(struct probe *probe, const uint8_t *bytes, int count)
{
	memcpy(probe->bits, bytes, (size_t)count);
	begin(probe, SENDING, count * 8);
}

static void rom_command(struct probe *probe)
{
	switch (probe->bits[0]) {
	case 0xcc: begin(probe, COMMAND, 8); break;
	case 0x55: begin(probe, MATCHING, 64); break;
	case 0x33: send(probe, probe->rom, 8); break;
	case 0xf0: begin(probe, SEARCHING, 64); probe->search_step = 0; break;
	default: probe->mode = DESELECTED;
	}
}

static void command(struct bus *bus, struct probe *probe)
{
	report('1', " %s command %02x", bus->pin->name, probe->bits[0]);
	finish_conversion(probe);
	switch (probe->bits[0]) {
	case 0x44: convert(probe); break;
	case 0xbe: send(probe, probe->scratchpad, 9); break;
	case 0x4e: begin(probe, STORING, 24); break;
	default: probe->mode = DESELECTED;
	}
}

static void received(struct bus *bus, struct probe *probe)
{
	if (probe->mode == ROM_COMMAND) {
		rom_command(probe);
	} else if (probe->mode == MATCHING) {
		if (memcmp(probe->bits, probe->rom, 8))
			probe->mode = DESELECTED;
		else
			begin(probe, COMMAND, 8);
	} else if (probe->mode == COMMAND) {
		command(bus, probe);
	} else if (probe->mode == STORING) {
		memcpy(probe->scratchpad + 2, probe->bits, 3);
		probe->scratchpad[8] = crc8(probe->scratchpad, 8);
		probe->mode = DESELECTED;
	}
}

static int bit_of(const uint8_t *bytes, int position)
{
	return bytes[position / 8] >> (position % 8) & 1;
}

/* Whether the probe keeps the line low in the slot that begins now. */
static bool pulls(struct probe *probe)
{
	finish_conversion(probe);
	if (probe->mode == SENDING)
		return probe->position < probe->total && !bit_of(probe->bits, probe->position);
	if (probe->mode == BUSY)
		return probe->converting;
	if (probe->mode == SEARCHING && probe->search_step < 2)
		return bit_of(probe->rom, probe->position) == probe->search_step;
	return false;
}

static void search_slot(struct probe *probe, int bit)
{
	if (probe->search_step < 2) {
		probe->search_step++;
		return;
	}
	probe->search_step = 0;
	if (bit != bit_of(probe->rom, probe->position))
		probe->mode = DESELECTED;
	else if (++probe->position == probe->total)
		begin(probe, COMMAND, 8);
}

static void slot_over(struct bus *bus, struct probe *probe, int bit)
{
	if (probe->mode == SEARCHING) {
		search_slot(probe, bit);
	} else if (probe->mode == SENDING) {
		probe->position++;
	} else if (probe->mode != DESELECTED && probe->mode != BUSY) {
		uint8_t *byte = &probe->bits[probe->position / 8];
		int place = probe->position % 8;
		*byte = (uint8_t)((place ? *byte : 0) | bit << place);
		if (++probe->position == probe->total)
			received(bus, probe);
	}
}

/* ---- the line ---- */

static void let_go(void *param)
{
	pin_drive(((struct bus *)param)->pin, 1);
}

static void pull_low(void *param)
{
	struct bus *bus = param;

	pin_drive(bus->pin, 0);
	timer_arm(&bus->release, chip->cycle + cycles_in_us(PRESENCE_US), let_go, bus);
}

static void line_falls(struct bus *bus)
{
	bool pulled = false;

	for (struct probe *probe = bus->probes; probe; probe = probe->next)
		pulled |= probe->present && pulls(probe);
	if (pulled) {
		pin_drive(bus->pin, 0);
		timer_arm(&bus->release, chip->cycle + cycles_in_us(HOLD_US), let_go, bus);
	}
}

static void reset_seen(struct bus *bus)
{
	bool any = false;

	for (struct probe *probe = bus->probes; probe; probe = probe->next)
		if (probe->present) {
			any = true;
			finish_conversion(probe);
			begin(probe, ROM_COMMAND, 8);
		}
	report('1', " %s reset %s", bus->pin->name, any ? "answered" : "silent");
	if (any)
		timer_arm(&bus->pull, chip->cycle + cycles_in_us(PRESENCE_WAIT_US), pull_low, bus);
}

static void line_rises(struct bus *bus, cycles_t low_for)
{
	if (low_for >= cycles_in_us(RESET_US)) {
		reset_seen(bus);
		return;
	}
	/* A part may look anywhere from 15 to 60 us after the edge, so a low of that
	 * length can be read either way. */
	if (low_for > cycles_in_us(ONE_US) && low_for < cycles_in_us(ZERO_US))
		report('1', " %s slot %u", bus->pin->name, (unsigned)(low_for * 1000000u / chip->frequency));
	for (struct probe *probe = bus->probes; probe; probe = probe->next)
		if (probe->present)
			slot_over(bus, probe, low_for < cycles_in_us((ONE_US + ZERO_US) / 2));
}

static void chip_drives(struct pin *pin, void *param)
{
	struct bus *bus = param;
	bool low = pin->state == LOW;

	if (low == bus->low)
		return;
	bus->low = low;
	if (low) {
		bus->fell_at = chip->cycle;
		line_falls(bus);
	} else {
		line_rises(bus, chip->cycle - bus->fell_at);
	}
}

/* ---- the scenario's side ---- */

static struct bus *bus_on(struct pin *pin)
{
	for (int i = 0; i < bus_count; i++)
		if (buses[i].pin == pin)
			return &buses[i];
	if (bus_count == (int)ARRAY_SIZE(buses))
		refuse("too many 1-Wire pins");
	struct bus *bus = &buses[bus_count++];
	bus->pin = pin;
	pin->driven = chip_drives;
	pin->param = bus;
	pin_drive(pin, 1); /* the pull-up that every 1-Wire line has */
	return bus;
}

static struct probe *probe_on(struct pin *pin, const uint8_t rom[8])
{
	struct bus *bus = bus_on(pin);

	for (struct probe *probe = bus->probes; probe; probe = probe->next)
		if (!memcmp(probe->rom, rom, 8))
			return probe;
	struct probe *probe = calloc(1, sizeof *probe);
	if (!probe)
		refuse("out of memory");
	memcpy(probe->rom, rom, 8);
	probe->raw = 0x0550;
	power_up(probe);
	probe->next = bus->probes;
	bus->probes = probe;
	return probe;
}

void onewire_present(struct pin *pin, const uint8_t rom[8], bool present)
{
	struct probe *probe = probe_on(pin, rom);

	if (present && !probe->present)
		power_up(probe);
	probe->present = present;
}

void onewire_next(struct pin *pin, const uint8_t rom[8], int16_t raw)
{
	struct probe *probe = probe_on(pin, rom);

	probe->raw = raw;
	probe->fixed = false;
}

void onewire_scratchpad(struct pin *pin, const uint8_t rom[8], const uint8_t bytes[9])
{
	struct probe *probe = probe_on(pin, rom);

	memcpy(probe->scratchpad, bytes, 9);
	probe->fixed = true;
}
