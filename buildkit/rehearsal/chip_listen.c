/* Hearing what the chip sends serially, and answering it.
 *
 * For devices that speak only when asked. A request is recognised when the bytes
 * sent last are exactly those of the request.
 */
#include <stdlib.h>
#include <string.h>

#include "chip_engine.h"

enum { MOST_HEARD = 64 };

struct answer {
	struct answer *next;
	struct serial_end into;
	uint32_t baud, delay_us;
	const uint8_t *request, *reply;
	int request_count, reply_count;
};

/* One place where the chip sends: a UART, or a pin that it moves by itself. */
struct ear {
	struct serial_end from;
	uint32_t baud;
	uint8_t heard[MOST_HEARD];
	int heard_count;
	struct answer *answers;
	struct timer sample;
	int bit; /* of the byte being heard on a pin; 0 is none */
	cycles_t began;
	uint8_t byte;
};

static struct ear *ears[8];
static int ear_count;

static bool ends_with(const struct ear *ear, const uint8_t *bytes, int count)
{
	return count <= ear->heard_count &&
	       !memcmp(ear->heard + (ear->heard_count - count), bytes, (size_t)count);
}

/* The middle of a bit of the byte that began with the start bit, bit 0. */
static cycles_t middle_of_bit(const struct ear *ear, int bit)
{
	return ear->began + (cycles_t)(bit * 2 + 1) * chip->frequency / (2 * ear->baud);
}

static void hear(struct ear *ear, uint8_t byte, cycles_t byte_ends)
{
	if (ear->heard_count == MOST_HEARD) {
		memmove(ear->heard, ear->heard + 1, MOST_HEARD - 1);
		ear->heard_count--;
	}
	ear->heard[ear->heard_count++] = byte;
	for (const struct answer *a = ear->answers; a; a = a->next)
		if (a->reply_count && ends_with(ear, a->request, a->request_count))
			serial_send(a->into, byte_ends + cycles_in_us(a->delay_us), a->baud, a->reply,
			            a->reply_count);
}

void listen_uart_sent(int index, uint8_t byte, cycles_t byte_ends)
{
	for (int i = 0; i < ear_count; i++)
		if (!ears[i]->from.pin && ears[i]->from.uart == index)
			hear(ears[i], byte, byte_ends);
}

/* ---- a pin moved by the sketch ---- */

static void sample_pin(void *param)
{
	struct ear *ear = param;
	int level = ear->from.pin->state != LOW;

	if (ear->bit <= 8) {
		ear->byte = (uint8_t)(ear->byte >> 1 | level << 7);
		ear->bit++;
		timer_arm(&ear->sample, middle_of_bit(ear, ear->bit), sample_pin, ear);
		return;
	}
	ear->bit = 0;
	if (!level)
		return; /* no stop bit: this was not a byte */
	report_bytes('t', ear->from.pin->name, &ear->byte, 1);
	hear(ear, ear->byte, chip->cycle);
}

static void pin_moved(struct pin *pin, void *param)
{
	struct ear *ear = param;

	if (pin->state != LOW || ear->bit)
		return;
	ear->bit = 1;
	ear->began = chip->cycle;
	timer_arm(&ear->sample, middle_of_bit(ear, ear->bit), sample_pin, ear);
}

static struct ear *ear_at(struct serial_end from, uint32_t baud)
{
	for (int i = 0; i < ear_count; i++)
		if (ears[i]->from.pin == from.pin && (from.pin || ears[i]->from.uart == from.uart))
			return ears[i];
	struct ear *ear = calloc(1, sizeof *ear);
	if (!ear || ear_count == (int)ARRAY_SIZE(ears))
		refuse("too many places to listen at");
	ears[ear_count++] = ear;
	ear->from = from;
	ear->baud = baud;
	if (from.pin) {
		from.pin->driven = pin_moved;
		from.pin->param = ear;
	}
	return ear;
}

void listen_pin(struct pin *pin, uint32_t baud)
{
	ear_at((struct serial_end){.pin = pin}, baud);
}

void listen_answer(const struct serial_end ends[2], uint32_t baud, uint32_t delay_us,
                   const uint8_t *request, int request_count, const uint8_t *reply,
                   int reply_count)
{
	struct ear *ear = ear_at(ends[0], baud);
	struct answer *a = ear->answers;

	while (a && (a->request_count != request_count ||
	             memcmp(a->request, request, (size_t)request_count)))
		a = a->next;
	if (!a) {
		a = calloc(1, sizeof *a);
		if (!a)
			refuse("out of memory");
		a->next = ear->answers;
		ear->answers = a;
	}
	*a = (struct answer){.next = a->next, .into = ends[1], .baud = baud, .delay_us = delay_us,
	                     .request = request, .request_count = request_count,
	                     .reply = reply, .reply_count = reply_count};
}
