/* Reaching into the simulator library: its modules and its register handlers.
 *
 * The library offers hooks that run before a register changes, or only when a
 * value differs from what it was before the last reset. The engine needs the
 * moment after a write, every time, so it wraps the handlers instead.
 */
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include "avr_timer.h"
#include "chip_engine.h"

struct wrapped {
	avr_io_write_t write;
	avr_io_read_t read;
	void *library_param;
	void (*then)(void *);
	void *param;
};

void *find_module(const char *kind, char name, size_t name_offset)
{
	for (avr_io_t *module = chip->io_port; module; module = module->next)
		if (!strcmp(module->kind, kind) && (!name || ((char *)module)[name_offset] == name))
			return module;
	return NULL;
}

static void write_then(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
	struct wrapped *wrapped = param;

	if (wrapped->write)
		wrapped->write(avr, address, value, wrapped->library_param);
	else
		avr->data[address] = value;
	wrapped->then(wrapped->param);
}

static uint8_t read_then(avr_t *avr, avr_io_addr_t address, void *param)
{
	struct wrapped *wrapped = param;
	uint8_t value = wrapped->read ? wrapped->read(avr, address, wrapped->library_param)
	                              : avr->data[address];

	wrapped->then(wrapped->param);
	return value;
}

static struct wrapped *wrapping(void (*then)(void *), void *param)
{
	struct wrapped *wrapped = calloc(1, sizeof *wrapped);

	if (!wrapped)
		refuse("out of memory");
	wrapped->then = then;
	wrapped->param = param;
	return wrapped;
}

void after_write(avr_io_addr_t address, void (*then)(void *), void *param)
{
	avr_io_addr_t io = AVR_DATA_TO_IO(address);
	struct wrapped *wrapped = wrapping(then, param);

	wrapped->write = chip->io[io].w.c;
	wrapped->library_param = chip->io[io].w.param;
	chip->io[io].w.c = write_then;
	chip->io[io].w.param = wrapped;
}

void after_read(avr_io_addr_t address, void (*then)(void *), void *param)
{
	avr_io_addr_t io = AVR_DATA_TO_IO(address);
	struct wrapped *wrapped = wrapping(then, param);

	wrapped->read = chip->io[io].r.c;
	wrapped->library_param = chip->io[io].r.param;
	chip->io[io].r.c = read_then;
	chip->io[io].r.param = wrapped;
}

void instead_of_write(avr_io_addr_t address, avr_io_write_t handler, void *param)
{
	avr_io_addr_t io = AVR_DATA_TO_IO(address);

	chip->io[io].w.c = handler;
	chip->io[io].w.param = param;
}

void instead_of_read(avr_io_addr_t address, avr_io_read_t handler, void *param)
{
	avr_io_addr_t io = AVR_DATA_TO_IO(address);

	chip->io[io].r.c = handler;
	chip->io[io].r.param = param;
}

/* The core sets its spare timers to phase-correct PWM, which the library does not
 * know on some chips: it then lets them overflow at every tick, and a run takes many
 * times as long. Its nearest mode has the right top and half the period. */
void timers_start(void)
{
	for (char name = '0'; name <= '5'; name++) {
		avr_timer_t *timer = find_module("timer", name, offsetof(avr_timer_t, name));
		if (!timer)
			continue;
		for (unsigned mode = 1; mode <= (timer->r_tcnth ? 3u : 1u); mode++)
			if (timer->wgm_op[mode].kind == avr_timer_wgm_none)
				timer->wgm_op[mode] = (avr_timer_wgm_t){.kind = avr_timer_wgm_fc_pwm, .size = 7 + mode};
	}
}
