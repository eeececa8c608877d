/* Pins: what the chip does with them, and what the world puts on them. */
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include "chip_engine.h"

struct port {
	avr_ioport_t *library;
	struct pin pins[8];
};

static struct port ports[12];
static int port_count;

/* ---- what the chip does ---- */

static enum state state_of(const struct pin *pin)
{
	const avr_ioport_t *library = pin->port->library;
	int output = chip->data[library->r_ddr] >> pin->bit & 1;
	int level = chip->data[library->r_port] >> pin->bit & 1;

	if (output)
		return level ? HIGH : LOW;
	return level ? PULLUP : FLOAT;
}

static void settle_port(void *param)
{
	static const char *const names[] = {"float", "pullup", "low", "high"};
	struct port *port = param;

	for (struct pin *pin = port->pins; pin < port->pins + 8; pin++) {
		enum state state = state_of(pin);
		if (state == pin->state)
			continue;
		pin->state = state;
		if (pin->watched)
			report('p', " %s %s", pin->name, names[state]);
		if (pin->driven)
			pin->driven(pin, pin->param);
	}
}

/* The library announces a new port value after storing it, whoever wrote it: the
 * sketch, a toggle through the PIN register, or a timer's output. */
static void port_written(struct avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq;
	(void)value;
	settle_port(param);
}

/* ---- pin changes that the library leaves out ---- */

/* The ATmega2560 raises pin change interrupts on PE0 and port J (group 1) and on
 * port K (group 2); the library knows only group 0. Registers and vectors are
 * those of the datasheet, sections 14 and 15. */
static avr_int_vector_t change_vectors[2];

struct change_source {
	avr_int_vector_t *vector;
	uint16_t mask_register;
	uint8_t mask;
};

static void pin_changed(struct avr_irq_t *irq, uint32_t value, void *param)
{
	const struct change_source *source = param;

	if ((irq->value & 1) != (value & 1) && chip->data[source->mask_register] & source->mask)
		avr_raise_interrupt(chip, source->vector);
}

static void add_change_source(const char *pin_name, int group, int bit)
{
	struct pin *pin = pin_named(pin_name);
	struct change_source *source = calloc(1, sizeof *source);

	if (!source)
		refuse("out of memory");
	source->vector = &change_vectors[group - 1];
	source->mask_register = (uint16_t)(0x6b + group);
	source->mask = (uint8_t)(1 << bit);
	avr_irq_register_notify(&pin->port->library->io.irq[pin->bit], pin_changed, source);
}

static void add_pin_change_groups(void)
{
	char name[4] = "P??";

	if (strcmp(chip->mmcu, "atmega2560"))
		return;
	for (int group = 1; group <= 2; group++) {
		avr_int_vector_t *vector = &change_vectors[group - 1];
		vector->enable = (avr_regbit_t){.reg = 0x68, .bit = (uint8_t)group, .mask = 1};
		vector->raised = (avr_regbit_t){.reg = 0x3b, .bit = (uint8_t)group, .mask = 1};
		vector->vector = (uint8_t)(9 + group);
		avr_register_vector(chip, vector);
	}
	add_change_source("PE0", 1, 0);
	for (int bit = 0; bit < 8; bit++) {
		name[2] = (char)('0' + bit);
		name[1] = 'J';
		if (bit < 7)
			add_change_source(name, 1, bit + 1);
		name[1] = 'K';
		add_change_source(name, 2, bit);
	}
}

/* ---- what the world does ---- */

static avr_irq_t *irq_of(const struct pin *pin)
{
	return &pin->port->library->io.irq[pin->bit];
}

void pin_drive(struct pin *pin, int level)
{
	avr_ioport_t *library = pin->port->library;
	uint8_t mask = (uint8_t)(1 << pin->bit);

	pin->outside = level;
	/* Without this the library puts the pull-up's level back on every pin of the
	 * port whenever the sketch writes to any of them, in the middle of a byte. */
	library->external.pull_mask &= (uint8_t)~mask;
	library->external.pull_value &= (uint8_t)~mask;
	if (level >= 0) {
		library->external.pull_mask |= mask;
		library->external.pull_value |= level ? mask : 0;
	}
	if (pin->state == LOW || pin->state == HIGH)
		return; /* the chip's own output wins; the level shows once it lets go */
	if (level >= 0)
		avr_raise_irq(irq_of(pin), (uint32_t)level);
	else if (pin->state == PULLUP)
		avr_raise_irq(irq_of(pin), 1);
}

static void pulse_turns(void *param)
{
	struct pin *pin = param;

	pin_drive(pin, pin->outside == 0 ? -1 : 0);
	timer_arm(&pin->pulse, pin->pulse.when + pin->half_pulse, pulse_turns, pin);
}

void pin_pulses(struct pin *pin, uint32_t period_us)
{
	timer_stop(&pin->pulse);
	pin_drive(pin, -1);
	pin->half_pulse = cycles_in_us(period_us) / 2;
	if (period_us)
		timer_arm(&pin->pulse, chip->cycle + pin->half_pulse, pulse_turns, pin);
}

struct pin *pin_named(const char *name)
{
	for (int i = 0; i < port_count; i++)
		for (int bit = 0; bit < 8; bit++)
			if (!strcmp(ports[i].pins[bit].name, name))
				return &ports[i].pins[bit];
	refuse("the chip has no pin '%s'", name);
}

void pin_watch(struct pin *pin)
{
	pin->watched = true;
}

static void add_port(avr_ioport_t *library)
{
	struct port *port = &ports[port_count++];

	port->library = library;
	for (int bit = 0; bit < 8; bit++) {
		struct pin *pin = &port->pins[bit];
		pin->port = port;
		pin->bit = bit;
		pin->outside = -1;
		pin->state = UNSEEN;
		pin->name[0] = 'P';
		pin->name[1] = library->name;
		pin->name[2] = (char)('0' + bit);
	}
	after_write(library->r_ddr, settle_port, port);
	avr_irq_register_notify(&library->io.irq[IOPORT_IRQ_REG_PORT], port_written, port);
}

void pins_start(void)
{
	for (char name = 'A'; name <= 'L'; name++) {
		avr_ioport_t *library = find_module("port", name, offsetof(avr_ioport_t, name));
		if (library && library->r_port)
			add_port(library);
	}
	add_pin_change_groups();
}

/* A reset clears the registers, but the library's signals keep their old values and
 * suppress a level or a write that seems to change nothing. */
void pins_before_reset(void)
{
	for (int i = 0; i < port_count; i++)
		for (int n = 0; n < IOPORT_IRQ_COUNT; n++)
			ports[i].library->io.irq[n].value = 0;
}

void pins_after_reset(void)
{
	for (int i = 0; i < port_count; i++) {
		settle_port(&ports[i]);
		for (int bit = 0; bit < 8; bit++)
			if (ports[i].pins[bit].outside >= 0)
				avr_raise_irq(irq_of(&ports[i].pins[bit]), (uint32_t)ports[i].pins[bit].outside);
	}
}
