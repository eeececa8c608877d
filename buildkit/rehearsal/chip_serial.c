/* Serial bytes: into and out of the hardware UARTs, and bit by bit onto any pin. */
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include "avr_uart.h"
#include "chip_engine.h"

DEFINE_FIFO(uint16_t, uart_fifo);

/* Bytes waiting to go out on one wire. */
struct chunk {
	struct chunk *next;
	cycles_t start;
	uint32_t baud;
	int count;
	const uint8_t *bytes; /* owned by the scenario */
};

struct wire {
	struct chunk *first, *last;
	cycles_t free_at;
	struct timer timer;
	int step; /* boundaries of the first chunk already passed */
	struct pin *pin;  /* for a bit-timed wire */
	avr_uart_t *uart; /* for a UART */
	char name[2];
	bool baud_told;
};

static struct wire uarts[4];
static struct wire *pin_wires[16];
static int pin_wire_count;

static void wire_step(void *param);

static cycles_t boundary(const struct chunk *chunk, int bits)
{
	return chunk->start + (cycles_t)bits * chip->frequency / chunk->baud;
}

static void enqueue(struct wire *wire, cycles_t start, uint32_t baud, const uint8_t *bytes,
                    int count)
{
	struct chunk *chunk = calloc(1, sizeof *chunk);

	if (!chunk)
		refuse("out of memory");
	chunk->start = wire->free_at > start ? wire->free_at : start;
	chunk->baud = baud;
	chunk->bytes = bytes;
	chunk->count = count;
	wire->free_at = boundary(chunk, count * 10);
	if (wire->last)
		wire->last->next = chunk;
	else
		wire->first = chunk;
	wire->last = chunk;
	if (wire->first == chunk) {
		wire->step = 0;
		timer_arm(&wire->timer, chunk->start, wire_step, wire);
	}
}

static void chunk_done(struct wire *wire)
{
	struct chunk *done = wire->first;

	wire->first = done->next;
	if (!wire->first)
		wire->last = NULL;
	free(done);
	wire->step = 0;
	if (wire->first)
		timer_arm(&wire->timer, wire->first->start, wire_step, wire);
}

/* ---- bit by bit ---- */

static int level_of_bit(const struct chunk *chunk, int bit)
{
	int in_byte = bit % 10;

	if (in_byte == 0)
		return 0;
	if (in_byte == 9)
		return 1;
	return chunk->bytes[bit / 10] >> (in_byte - 1) & 1;
}

static void pin_step(struct wire *wire)
{
	const struct chunk *chunk = wire->first;
	int bits = chunk->count * 10;
	int level = level_of_bit(chunk, wire->step);

	pin_drive(wire->pin, level);
	while (++wire->step < bits && level_of_bit(chunk, wire->step) == level)
		;
	if (wire->step < bits)
		timer_arm(&wire->timer, boundary(chunk, wire->step), wire_step, wire);
	else
		chunk_done(wire);
}

static struct wire *wire_at(struct pin *pin)
{
	int i = 0;

	while (i < pin_wire_count && pin_wires[i]->pin != pin)
		i++;
	if (i == pin_wire_count) {
		if (i == (int)ARRAY_SIZE(pin_wires) || !(pin_wires[i] = calloc(1, sizeof **pin_wires)))
			refuse("too many serial wires");
		pin_wires[pin_wire_count++]->pin = pin;
	}
	return pin_wires[i];
}

/* ---- hardware UART ---- */

static uint32_t cycles_per_bit(const avr_uart_t *uart)
{
	uint32_t divider = (uint32_t)(avr_regbit_get(chip, uart->ubrrl) |
	                              avr_regbit_get(chip, uart->ubrrh) << 8);

	return (divider + 1) * (avr_regbit_get(chip, uart->u2x) ? 8 : 16);
}

/* Within 4.5 %, the most a UART tolerates in a byte of ten bits. */
static bool baud_fits(struct wire *wire, uint32_t baud)
{
	uint32_t set = chip->frequency / cycles_per_bit(wire->uart);
	bool fits = (uint64_t)(set > baud ? set - baud : baud - set) * 1000 <= (uint64_t)baud * 45;

	if (!fits && !wire->baud_told) {
		wire->baud_told = true;
		report('b', " %s %u %u", wire->name, (unsigned)set, (unsigned)baud);
	}
	return fits;
}

/* Two bytes wait in the chip's buffer and a third in its shift register; the start
 * bit of a fourth destroys the third. The library would keep 63. */
static void start_bit(struct wire *wire)
{
	avr_uart_t *uart = wire->uart;

	if (uart_fifo_get_read_size(&uart->input) < 3)
		return;
	uart->input.write = (uart->input.write - 1) & (uart_fifo_fifo_size - 1);
	avr_regbit_set(chip, uart->dor);
	report('o', " %s", wire->name);
}

static void stop_bit(struct wire *wire, uint8_t byte)
{
	avr_uart_t *uart = wire->uart;

	if (!avr_regbit_get(chip, uart->rxen) || !baud_fits(wire, wire->first->baud))
		return;
	uart_fifo_write(&uart->input, byte);
	/* Not through the library's input signal: it would deliver the byte another
	 * byte's time later, and take eleven bits for each. */
	avr_raise_interrupt(chip, &uart->rxc);
}

/* When a byte counts as received. */
static cycles_t middle_of_stop_bit(const struct chunk *chunk, int index)
{
	return (boundary(chunk, index * 10 + 9) + boundary(chunk, index * 10 + 10)) / 2;
}

static void uart_step(struct wire *wire)
{
	const struct chunk *chunk = wire->first;
	int index = wire->step / 2;

	if (wire->step % 2 == 0)
		start_bit(wire);
	else
		stop_bit(wire, chunk->bytes[index]);
	wire->step++;
	index = wire->step / 2;
	if (index == chunk->count)
		chunk_done(wire);
	else
		timer_arm(&wire->timer,
		          wire->step % 2 ? middle_of_stop_bit(chunk, index) : boundary(chunk, index * 10),
		          wire_step, wire);
}

static void wire_step(void *param)
{
	struct wire *wire = param;

	if (wire->uart)
		uart_step(wire);
	else
		pin_step(wire);
}

void serial_send(struct serial_end into, cycles_t start, uint32_t baud, const uint8_t *bytes,
                 int count)
{
	if (!into.pin && (into.uart < 0 || into.uart > 3 || !uarts[into.uart].uart))
		refuse("the chip has no UART %d", into.uart);
	enqueue(into.pin ? wire_at(into.pin) : &uarts[into.uart], start, baud, bytes, count);
}

/* The receive interrupt stands as long as a byte waits; the library raises it once. */
static void uart_settle(void *param)
{
	struct wire *wire = param;
	avr_uart_t *uart = wire->uart;

	if (avr_regbit_get(chip, uart->rxen) && !uart_fifo_isempty(&uart->input))
		avr_raise_interrupt(chip, &uart->rxc);
}

/* The library counts a parity bit that is not sent, and so sends 10 % too slowly. */
static void uart_baud_set(void *param)
{
	avr_uart_t *uart = ((struct wire *)param)->uart;

	uart->cycles_per_byte = (cycles_t)cycles_per_bit(uart) * 10;
}

static void uart_sent(struct avr_irq_t *irq, uint32_t value, void *param)
{
	struct wire *wire = param;

	(void)irq;
	report('u', " %s %02x", wire->name, value & 0xff);
	listen_uart_sent(wire->name[0] - '0', (uint8_t)value, chip->cycle + wire->uart->cycles_per_byte);
}

void serial_start(void)
{
	for (int index = 0; index < 4; index++) {
		struct wire *wire = &uarts[index];
		wire->name[0] = (char)('0' + index);
		wire->uart = find_module("uart", wire->name[0], offsetof(avr_uart_t, name));
		if (!wire->uart)
			continue;
		wire->uart->flags = 0; /* neither print the text nor really sleep while polled */
		avr_irq_register_notify(&wire->uart->io.irq[UART_IRQ_OUTPUT], uart_sent, wire);
		after_read(wire->uart->r_udr, uart_settle, wire);
		after_write(wire->uart->rxen.reg, uart_settle, wire);
		after_write(wire->uart->ubrrl.reg, uart_baud_set, wire);
	}
}
