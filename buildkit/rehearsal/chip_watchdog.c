/* The watchdog, after the ATmega328P datasheet, section 11.8 (Watchdog Timer).
 *
 * The library's own is replaced: it never resets the chip when the interrupt is on
 * but cannot run (a hang with interrupts off), and it switches the interrupt off
 * after one time-out even where no reset is to follow.
 */
#include "avr_watchdog.h"
#include "chip_engine.h"

enum { WDIF = 0x80, WDIE = 0x40, WDCE = 0x10, WDE = 0x08 };

static avr_watchdog_t *library;
static avr_io_addr_t reg;
static struct timer timer;
static cycles_t open_until; /* of the timed change sequence */

static void time_out(void *param);

static bool counting(void)
{
	return chip->data[reg] & (WDE | WDIE);
}

/* 2048 periods of the 128 kHz oscillator, doubled for each step of the prescaler. */
static void restart(void)
{
	uint8_t value = chip->data[reg];
	unsigned prescale = (value & 7u) | (value >> 2 & 8u);

	if (counting())
		timer_arm(&timer, chip->cycle + cycles_in_us(16000ull << prescale), time_out, NULL);
	else
		timer_stop(&timer);
}

static void time_out(void *param)
{
	uint8_t value = chip->data[reg];

	(void)param;
	if (!(value & WDIE) || (value & WDIF && value & WDE)) {
		/* Either no interrupt is wanted, or the one of the last time-out never ran. */
		ask_reset(WATCHDOG);
		return;
	}
	chip->data[reg] |= WDIF;
	avr_raise_interrupt(chip, &library->watchdog);
	restart();
}

static void interrupt_runs(struct avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq;
	(void)param;
	if (!value)
		return;
	/* Cleared here, before the library looks: finding it set, it would clear WDIE. */
	chip->data[reg] &= (uint8_t)~WDIF;
	if (chip->data[reg] & WDE)
		chip->data[reg] &= (uint8_t)~WDIE;
}

static void written(avr_t *avr, avr_io_addr_t at, uint8_t value, void *param)
{
	uint8_t old = avr->data[at];
	uint8_t open = avr->cycle <= open_until ? WDCE : 0;
	uint8_t flag = value & WDIF ? 0 : old & WDIF; /* cleared by writing a one */

	(void)param;
	if (open)
		value &= (uint8_t)~WDIF;
	else /* interrupt at any time; reset can only be switched on; speed stays */
		value = (uint8_t)((value & (WDIE | WDCE | WDE)) | (old & (WDE | 0x27)));
	if (avr->data[MCUSR] & WDRF)
		value |= WDE;
	if ((value & (WDCE | WDE)) == (WDCE | WDE) && !open)
		open_until = avr->cycle + 4;
	else
		open_until = 0;
	avr->data[at] = (uint8_t)((value & ~WDCE) | flag);
	if ((old ^ avr->data[at]) & (WDE | WDIE | 0x27))
		restart();
	if (avr->data[at] & WDIE && flag)
		avr_raise_interrupt(avr, &library->watchdog);
}

static int told(avr_io_t *io, uint32_t ctl, void *param)
{
	(void)io;
	(void)param;
	if (ctl != AVR_IOCTL_WATCHDOG_RESET)
		return -1;
	restart();
	return 0;
}

/* A watchdog reset leaves the watchdog running at its fastest until the flag is
 * cleared; any other reset leaves it off. */
void watchdog_after_reset(void)
{
	open_until = 0;
	chip->data[reg] = chip->data[MCUSR] & WDRF ? WDE : 0;
	restart();
}

void watchdog_start(void)
{
	/* First in the library's list, so that it takes the WDR instruction. */
	static avr_io_t ours = {.kind = "watchdog of the engine", .ioctl = told};

	library = find_module("watchdog", 0, 0);
	if (!library)
		refuse("the simulator's chip has no watchdog");
	reg = library->wde.reg;
	avr_irq_register_notify(&library->watchdog.irq[AVR_INT_IRQ_RUNNING], interrupt_runs, NULL);
	instead_of_write(reg, written, NULL);
	avr_register_io(chip, &ours);
}
