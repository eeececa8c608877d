/* Reads the scenario: what the world does, and when. chip.py describes the lines. */
#include <stdlib.h>
#include <string.h>

#include "chip_engine.h"

enum { MOST_WORDS = 10 };

struct settings settings = {.supply_mv = 5000, .reference_mv = 5000};

struct bytes {
	uint8_t *data;
	int count;
};

struct item {
	cycles_t when;
	size_t order;
	void (*apply)(const struct item *item);
	struct pin *pin;
	int number;
	uint32_t amount, delay_us;
	struct bytes bytes, more;
	struct serial_end ends[2];
};

static struct item *items;
static size_t item_count, next_item;
static struct timer item_timer;

/* ---- what an item does when its time comes ---- */

static void do_send(const struct item *i)
{
	serial_send(i->ends[0], chip->cycle, i->amount, i->bytes.data, i->bytes.count);
}

static void do_answer(const struct item *i)
{
	listen_answer(i->ends, i->amount, i->delay_us, i->more.data, i->more.count, i->bytes.data,
	              i->bytes.count);
}

static void do_usb(const struct item *i)
{
	usb_host_is((enum usb_host)i->number);
}

static void do_level(const struct item *i)
{
	pin_drive(i->pin, i->number);
}

static void do_pulses(const struct item *i)
{
	pin_pulses(i->pin, i->amount);
}

static void do_adc(const struct item *i)
{
	analog_set(i->number, i->amount);
}

static void do_present(const struct item *i)
{
	twowire_present(i->number, i->amount);
}

static void do_busy(const struct item *i)
{
	twowire_busy(i->number, i->amount, i->bytes.data, i->bytes.count);
}

static void do_reply(const struct item *i)
{
	twowire_reply(i->number, i->more.data, i->more.count, i->bytes.data, i->bytes.count,
	              i->amount);
}

static void do_bus(const struct item *i)
{
	twowire_hold(i->number & 1, i->number & 2, (int)i->amount);
}

static void do_probe(const struct item *i)
{
	onewire_present(i->pin, i->bytes.data, i->amount);
}

static void do_next(const struct item *i)
{
	onewire_next(i->pin, i->bytes.data, (int16_t)i->number);
}

static void do_scratchpad(const struct item *i)
{
	onewire_scratchpad(i->pin, i->bytes.data, i->more.data);
}

static void do_poke(const struct item *i)
{
	memcpy(chip->data + i->number, i->bytes.data, (size_t)i->bytes.count);
}

static void do_peek(const struct item *i)
{
	char who[8];

	snprintf(who, sizeof who, "%d", i->number);
	report_bytes('m', who, chip->data + i->number, (int)i->amount);
}

static void do_reset(const struct item *i)
{
	ask_reset((enum cause)i->number);
}

/* ---- reading ---- */

static struct bytes hex(const char *text)
{
	struct bytes bytes = {0};
	size_t length = strcmp(text, "-") ? strlen(text) : 0; /* "-" stands for none */

	bytes.data = malloc(length / 2 + 1);
	if (!bytes.data || length % 2)
		refuse("bad bytes in the scenario: %.60s", text);
	for (size_t i = 0; i < length; i += 2) {
		const char pair[3] = {text[i], text[i + 1], 0};
		char *end;
		bytes.data[bytes.count++] = (uint8_t)strtoul(pair, &end, 16);
		if (*end)
			refuse("bad bytes in the scenario: %.60s", text);
	}
	return bytes;
}

static struct bytes exactly(const char *text, int count)
{
	struct bytes bytes = hex(text);

	if (bytes.count != count)
		refuse("%d bytes are needed in the scenario, not: %.60s", count, text);
	return bytes;
}

static uint32_t number(const char *text)
{
	char *end;
	long long value = strtoll(text, &end, 10);

	if (*end || end == text)
		refuse("bad number in the scenario: %.60s", text);
	return (uint32_t)value;
}

/* The position of `text` among `choices`, which are separated by a bar. */
static int choice(const char *text, const char *choices)
{
	size_t length = strlen(text);

	for (int index = 0; choices; index++) {
		if (!strncmp(choices, text, length) && strchr("|", choices[length]))
			return index;
		choices = strchr(choices, '|');
		choices += choices != NULL;
	}
	refuse("unknown word in the scenario: %.60s", text);
}

static uint32_t speed(const char *text)
{
	uint32_t baud = number(text);

	if (!baud || baud > chip->frequency / 8)
		refuse("no serial speed for this chip: %.60s", text);
	return baud;
}

static struct serial_end end_named(const char *name)
{
	if (*name == 'P')
		return (struct serial_end){.pin = pin_named(name)};
	return (struct serial_end){.uart = (int)number(name)};
}

static void place_ram(struct item *item, const char *address, uint32_t count)
{
	item->number = (int)number(address);
	if (item->number < 0x20 || item->number + count > chip->ramend + 1u)
		refuse("address %s is outside the chip's RAM", address);
}

/* More of the program than the sketch: what lies between the two is empty flash. */
static void place_flash(const char *address, struct bytes bytes)
{
	uint32_t at = number(address);

	if (at + (uint32_t)bytes.count > chip->flashend + 1u)
		refuse("address %s is outside the chip's flash", address);
	memcpy(chip->flash + at, bytes.data, (size_t)bytes.count);
	free(bytes.data);
	chip->codeend = chip->flashend;
}

static void start_at(const char *address)
{
	chip->reset_pc = chip->pc = number(address);
	if (chip->pc > chip->flashend)
		refuse("address %s is outside the chip's flash", address);
}

static void fill_wires(struct item *i, const char *verb, char **w)
{
	if (!strcmp(verb, "present")) {
		*i = (struct item){.apply = do_present, .number = (int)number(w[0]),
		                   .amount = (uint32_t)choice(w[1], "no|yes")};
	} else if (!strcmp(verb, "busy")) {
		*i = (struct item){.apply = do_busy, .number = (int)number(w[0]), .amount = number(w[1]),
		                   .bytes = hex(w[2])};
	} else if (!strcmp(verb, "reply")) {
		*i = (struct item){.apply = do_reply, .number = (int)number(w[0]), .more = hex(w[1]),
		                   .bytes = hex(w[2]), .amount = (uint32_t)choice(w[3], "always|once")};
	} else if (!strcmp(verb, "bus")) {
		*i = (struct item){.apply = do_bus, .number = choice(w[0], "free|sda|scl"),
		                   .amount = number(w[1])};
	} else if (!strcmp(verb, "probe")) {
		*i = (struct item){.apply = do_probe, .pin = pin_named(w[0]), .bytes = exactly(w[1], 8),
		                   .amount = (uint32_t)choice(w[2], "no|yes")};
	} else if (!strcmp(verb, "next")) {
		*i = (struct item){.apply = do_next, .pin = pin_named(w[0]), .bytes = exactly(w[1], 8),
		                   .number = (int)number(w[2])};
	} else if (!strcmp(verb, "scratchpad")) {
		*i = (struct item){.apply = do_scratchpad, .pin = pin_named(w[0]),
		                   .bytes = exactly(w[1], 8), .more = exactly(w[2], 9)};
	} else {
		refuse("unknown word in the scenario: %.60s", verb);
	}
}

static void fill(struct item *i, const char *verb, char **w)
{
	if (!strcmp(verb, "send")) {
		*i = (struct item){.apply = do_send, .ends = {end_named(w[0])}, .amount = speed(w[1]),
		                   .bytes = hex(w[2])};
	} else if (!strcmp(verb, "answer")) {
		*i = (struct item){.apply = do_answer, .ends = {end_named(w[0]), end_named(w[1])},
		                   .amount = speed(w[2]), .delay_us = number(w[3]), .more = hex(w[4]),
		                   .bytes = hex(w[5])};
	} else if (!strcmp(verb, "usb")) {
		*i = (struct item){.apply = do_usb, .number = choice(w[0], "none|reading|stuck")};
	} else if (!strcmp(verb, "level")) {
		*i = (struct item){.apply = do_level, .pin = pin_named(w[0]),
		                   .number = choice(w[1], "none|0|1") - 1};
	} else if (!strcmp(verb, "pulses")) {
		*i = (struct item){.apply = do_pulses, .pin = pin_named(w[0]), .amount = number(w[1])};
	} else if (!strcmp(verb, "adc")) {
		*i = (struct item){.apply = do_adc, .number = (int)number(w[0]), .amount = number(w[1])};
	} else if (!strcmp(verb, "poke")) {
		*i = (struct item){.apply = do_poke, .bytes = hex(w[1])};
		place_ram(i, w[0], (uint32_t)i->bytes.count);
	} else if (!strcmp(verb, "peek")) {
		*i = (struct item){.apply = do_peek, .amount = number(w[1])};
		place_ram(i, w[0], i->amount);
	} else if (!strcmp(verb, "reset")) {
		*i = (struct item){.apply = do_reset, .number = choice(w[0], "power|external")};
	} else {
		fill_wires(i, verb, w);
	}
}

static void add_item(char **words)
{
	static size_t room;
	struct item *item;

	if (item_count == room) {
		room = room ? room * 2 : 1024;
		items = realloc(items, room * sizeof *items);
		if (!items)
			refuse("out of memory");
	}
	item = &items[item_count];
	fill(item, words[2], words + 3);
	if (item->apply == do_send && !item->bytes.count)
		return; /* nothing to send */
	item->when = cycles_in_us(strtoull(words[1], NULL, 10));
	item->order = item_count++;
}

static int earlier(const void *a, const void *b)
{
	const struct item *x = a, *y = b;

	if (x->when != y->when)
		return x->when < y->when ? -1 : 1;
	return x->order < y->order ? -1 : 1;
}

static void play(void *param)
{
	(void)param;
	while (next_item < item_count && items[next_item].when <= chip->cycle) {
		const struct item *item = &items[next_item++];
		item->apply(item);
	}
	if (next_item < item_count)
		timer_arm(&item_timer, items[next_item].when, play, NULL);
}

static cycles_t read_line(char *line, cycles_t end)
{
	char *words[MOST_WORDS + 1];
	int count = 0;

	for (char *word = strtok(line, " \n"); word && count < MOST_WORDS; word = strtok(NULL, " \n"))
		words[count++] = word;
	/* A missing word reads as an empty one, which every kind of word refuses. */
	for (int i = count; i <= MOST_WORDS; i++)
		words[i] = "";
	if (!count)
		return end;
	if (!strcmp(words[0], "at")) {
		add_item(words);
	} else if (!strcmp(words[0], "watch")) {
		pin_watch(pin_named(words[1]));
	} else if (!strcmp(words[0], "listen")) {
		listen_pin(pin_named(words[1]), speed(words[2]));
	} else if (!strcmp(words[0], "supply")) {
		settings.supply_mv = number(words[1]);
		settings.reference_mv = number(words[2]);
	} else if (!strcmp(words[0], "boot")) {
		settings.boot_cycles = cycles_in_us(number(words[1]));
		settings.boot_clears_cause = choice(words[2], "keep|clear");
	} else if (!strcmp(words[0], "flash")) {
		place_flash(words[1], hex(words[2]));
	} else if (!strcmp(words[0], "start")) {
		start_at(words[1]);
	} else if (!strcmp(words[0], "until")) {
		return cycles_in_us(strtoull(words[1], NULL, 10));
	} else {
		refuse("unknown word in the scenario: %.60s", words[0]);
	}
	return end;
}

cycles_t scenario_read(FILE *in)
{
	cycles_t end = 0;
	char *line = NULL;
	size_t room = 0;

	while (getline(&line, &room, in) > 0)
		end = read_line(line, end);
	free(line);
	if (item_count)
		qsort(items, item_count, sizeof *items, earlier);
	play(NULL);
	return end;
}
