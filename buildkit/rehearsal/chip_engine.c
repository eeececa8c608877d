/* The chip engine: runs a compiled sketch as fast as it can, resets included.
 *
 * usage: chip_engine ELF MCU CLOCK_HZ < scenario > events
 */
#include <inttypes.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "avr_extint.h"
#include "chip_engine.h"
#include "sim_elf.h"

/* Exported by the library, but left out of its installed headers. */
avr_flashaddr_t avr_run_one(avr_t *avr);

avr_t *chip;

static FILE *events;
static struct timer *timers;       /* every timer ever armed */
static bool firing;
static bool reset_asked;
static enum cause reset_cause;
static cycles_t asleep_cycles;
static cycles_t held_until;        /* the bootloader runs until then */
static uint16_t lowest_stack;
static const char *ended_by;

/* ---- output ---- */

void report(char kind, const char *format, ...)
{
	va_list arguments;

	fprintf(events, "%c %" PRIu64, kind, (uint64_t)chip->cycle);
	va_start(arguments, format);
	vfprintf(events, format, arguments);
	va_end(arguments);
	fputc('\n', events);
}

void report_bytes(char kind, const char *who, const uint8_t *bytes, int count)
{
	fprintf(events, "%c %" PRIu64 " %s ", kind, (uint64_t)chip->cycle, who);
	for (int i = 0; i < count; i++)
		fprintf(events, "%02x", bytes[i]);
	fputs(count ? "\n" : "-\n", events);
}

_Noreturn void refuse(const char *format, ...)
{
	va_list arguments;

	va_start(arguments, format);
	vfprintf(stderr, format, arguments);
	va_end(arguments);
	fputc('\n', stderr);
	exit(2);
}

/* The library complains where a real chip would go astray: an address outside
 * RAM, an instruction that does not exist. */
static void library_says(avr_t *avr, const int level, const char *format, va_list arguments)
{
	char text[200];

	(void)avr;
	if (level > LOG_ERROR || !chip)
		return;
	vsnprintf(text, sizeof text, format, arguments);
	for (char *c = text; *c; c++)
		if (*c < ' ')
			*c = ' ';
	report('x', " %s", text);
}

/* ---- time ---- */

cycles_t cycles_in_us(uint64_t us)
{
	return (cycles_t)((unsigned __int128)us * chip->frequency / 1000000u);
}

static struct timer *first_due(void)
{
	struct timer *first = NULL;

	for (struct timer *timer = timers; timer; timer = timer->next)
		if (timer->armed && (!first || timer->when < first->when))
			first = timer;
	return first;
}

static cycles_t fire(avr_t *avr, cycles_t when, void *param)
{
	struct timer *timer;

	(void)when;
	(void)param;
	firing = true;
	while ((timer = first_due()) && timer->when <= avr->cycle) {
		timer->armed = false;
		timer->due(timer->param);
	}
	firing = false;
	return timer ? timer->when : 0;
}

/* The world has one timer in the library's list, which holds 64 and is emptied by
 * every reset. */
static void rearm(void)
{
	struct timer *timer = first_due();

	if (firing)
		return;
	if (timer)
		avr_cycle_timer_register(chip, timer->when > chip->cycle ? timer->when - chip->cycle : 1,
		                         fire, NULL);
	else
		avr_cycle_timer_cancel(chip, fire, NULL);
}

void timer_arm(struct timer *timer, cycles_t when, void (*due)(void *), void *param)
{
	if (!timer->due) {
		timer->next = timers;
		timers = timer;
	}
	timer->when = when;
	timer->due = due;
	timer->param = param;
	timer->armed = true;
	rearm();
}

void timer_stop(struct timer *timer)
{
	if (timer->armed) {
		timer->armed = false;
		rearm();
	}
}

/* ---- resets ---- */

void ask_reset(enum cause cause)
{
	/* Never done at once: the library must not lose its timers while it walks them. */
	reset_asked = true;
	reset_cause = cause;
}

/* Fills RAM with a pattern, so that what the stack reached shows at the end, and
 * because RAM holds anything but zeros after power-up. */
static uint8_t pattern(uint16_t address)
{
	return (uint8_t)(address * 151u + 90u);
}

static void paint_ram(void)
{
	for (uint32_t a = chip->ioend + 1u; a <= chip->ramend; a++)
		chip->data[a] = pattern((uint16_t)a);
}

/* While an interrupt pin is low the library would poll it every cycle, whether or
 * not the interrupt is on. (Interrupts at a low level then fire once, as at an edge.) */
static void stop_polling(void)
{
	for (uint8_t i = 0; i < EXTINT_COUNT; i++)
		avr_extint_set_strict_lvl_trig(chip, i, 0);
}

static void settle_after_reset(enum cause cause, uint8_t flags_before)
{
	static const uint8_t flag[] = {[POWER] = PORF, [EXTERNAL] = EXTRF, [WATCHDOG] = WDRF};
	static const char *const name[] = {
		[POWER] = "power", [EXTERNAL] = "external", [WATCHDOG] = "watchdog"};

	/* The library forgets the earlier causes; the chip keeps them until power is lost. */
	chip->data[MCUSR] = (uint8_t)((cause == POWER ? 0 : flags_before) | flag[cause]);
	/* One instruction at a time is its default after each reset, and is slow. */
	chip->run_cycle_limit = 1u << 20;
	stop_polling();
	if (settings.boot_clears_cause)
		chip->data[MCUSR] = 0;
	held_until = chip->cycle + settings.boot_cycles;
	report('R', " %s", name[cause]);
	pins_after_reset();
	twowire_after_reset();
	watchdog_after_reset();
	rearm();
}

static void reset_now(void)
{
	uint8_t flags_before = chip->data[MCUSR];

	reset_asked = false;
	pins_before_reset();
	avr_reset(chip);
	if (reset_cause == POWER)
		paint_ram();
	settle_after_reset(reset_cause, flags_before);
}

/* ---- running ---- */

static uint16_t stack_pointer(void)
{
	return (uint16_t)(chip->data[R_SPL] | chip->data[R_SPH] << 8);
}

static void sleep_for(cycles_t idle, cycles_t end)
{
	if (!(chip->data[SMCR] & 1)) { /* sleep is not enabled: the instruction does nothing */
		chip->state = cpu_Running;
		return;
	}
	if (chip->cycle + idle > end)
		idle = end - chip->cycle;
	chip->cycle += idle ? idle : 1;
	asleep_cycles += idle;
}

static void serve_interrupts(void)
{
	uint8_t running = chip->interrupts.running_ptr;

	avr_service_interrupts(chip);
	/* The library enters an interrupt in no time; the chip takes 4 cycles, or 5
	 * with a three-byte return address. */
	if (chip->interrupts.running_ptr > running)
		chip->cycle += chip->address_size == 3 ? 5 : 4;
}

/* As the library's own loop, but a sleep costs no time, and a sleep with
 * interrupts off goes on until a reset, as on the chip, instead of ending the run. */
static void step(cycles_t end)
{
	avr_flashaddr_t pc = chip->pc;

	if (chip->cycle < held_until) {
		cycles_t idle = avr_cycle_timer_process(chip);
		if (chip->cycle + idle > held_until)
			idle = held_until - chip->cycle;
		chip->cycle += idle ? idle : 1;
		return;
	}
	if (chip->state == cpu_Running)
		pc = avr_run_one(chip);
	bool for_good = chip->state == cpu_Sleeping && !chip->sreg[S_I] && chip->data[SMCR] & 1;
	cycles_t idle = avr_cycle_timer_process(chip);
	chip->pc = pc;
	if (for_good && chip->state == cpu_Running)
		chip->state = cpu_Sleeping; /* the library wakes it all the same */
	uint16_t stack = stack_pointer();
	if (stack > chip->ioend && stack < lowest_stack)
		lowest_stack = stack;
	if (chip->state == cpu_Sleeping)
		sleep_for(idle, end);
	if (chip->interrupt_state && (chip->state == cpu_Running || chip->state == cpu_Sleeping))
		serve_interrupts();
}

static void nothing(void *param)
{
	(void)param;
}

static void run_until(cycles_t end)
{
	static struct timer finish;

	/* The library runs on until its next timer, so there must be one at the end. */
	timer_arm(&finish, end, nothing, NULL);
	while (chip->cycle < end) {
		step(end);
		if (reset_asked)
			reset_now();
		if (chip->state != cpu_Running && chip->state != cpu_Sleeping) {
			ended_by = "crashed";
			report('x', " stopped at address %04x", (unsigned)chip->pc);
			return;
		}
	}
	ended_by = chip->state == cpu_Running     ? "running"
	           : chip->sreg[S_I] ? "asleep"
	                              : "halted";
}

/* The longest stretch of RAM that still holds the pattern lies between the
 * variables and the deepest stack. */
static void report_memory(void)
{
	uint32_t best = 0, run = 0, best_end = chip->ramend;

	for (uint32_t a = chip->ioend + 1u; a <= chip->ramend; a++) {
		run = chip->data[a] == pattern((uint16_t)a) ? run + 1 : 0;
		if (run > best) {
			best = run;
			best_end = a;
		}
	}
	if (best_end < lowest_stack)
		lowest_stack = (uint16_t)best_end;
	fprintf(events, "s untouched_ram_bytes %" PRIu32 "\n", best);
	fprintf(events, "s lowest_stack %u\n", lowest_stack);
	fprintf(events, "s ram_end %u\n", chip->ramend);
}

static void load(const char *elf, const char *mcu, uint32_t clock_hz)
{
	elf_firmware_t firmware = {0};
	avr_t *made = avr_make_mcu_by_name(mcu);

	if (!made)
		refuse("the simulator does not know the chip '%s'", mcu);
	if (elf_read_firmware(elf, &firmware) != 0)
		refuse("%s is not a program for the chip", elf);
	avr_init(made);
	avr_load_firmware(made, &firmware);
	made->frequency = clock_hz;
	chip = made;
}

/* The library prints to the standard output; events must not mix with that. */
static void claim_output(void)
{
	events = fdopen(dup(STDOUT_FILENO), "w");
	if (!events || !freopen("/dev/null", "w", stdout))
		refuse("the engine cannot open its output");
	setvbuf(events, NULL, _IOFBF, 1 << 16);
}

int main(int argc, char **argv)
{
	if (argc != 4)
		refuse("usage: chip_engine ELF MCU CLOCK_HZ < scenario");
	claim_output();
	avr_global_logger_set(library_says);
	load(argv[1], argv[2], (uint32_t)strtoul(argv[3], NULL, 10));
	lowest_stack = chip->ramend;
	paint_ram();
	timers_start();
	pins_start();
	serial_start();
	twowire_start();
	watchdog_start();
	stop_polling();
	cycles_t end = scenario_read(stdin);
	analog_start(settings.supply_mv, settings.reference_mv);
	settle_after_reset(POWER, 0);
	run_until(end);
	fprintf(events, "s cycles %" PRIu64 "\n", (uint64_t)chip->cycle);
	fprintf(events, "s asleep_cycles %" PRIu64 "\n", (uint64_t)asleep_cycles);
	report_memory();
	fprintf(events, "s ended %s\n", ended_by);
	return fclose(events) ? 1 : 0;
}
