/* Voltages on the analog inputs. */
#include "avr_adc.h"
#include "chip_engine.h"

static avr_adc_t *adc;
static uint32_t channels_mv[16];
static uint32_t sampled_mv;

void analog_set(int channel, uint32_t mv)
{
	channels_mv[channel & 15] = mv;
}

/* The library keeps only 8 of the 16 channels and looks at them when the result is
 * read; the chip samples when the conversion starts. */
static void conversion_starts(struct avr_irq_t *irq, uint32_t value, void *param)
{
	union {
		avr_adc_mux_t mux;
		uint32_t value;
	} chosen = {.value = value};

	(void)irq;
	(void)param;
	if (chosen.mux.kind == ADC_MUX_SINGLE)
		sampled_mv = channels_mv[chosen.mux.src & 15];
	else
		sampled_mv = chosen.mux.kind == ADC_MUX_REF ? chosen.mux.src : 0;
}

static uint32_t reference_mv(void)
{
	uint16_t reference = adc->ref_values[avr_regbit_get_array(chip, adc->ref, ARRAY_SIZE(adc->ref))];

	if (reference == ADC_VREF_AREF)
		return chip->aref;
	return reference == ADC_VREF_VCC || reference == ADC_VREF_AVCC ? chip->vcc : reference;
}

/* Datasheet: ADC = V x 1024 / Vref; the library multiplies by 1023. */
static void convert(void)
{
	uint32_t reference = reference_mv();
	uint32_t result = reference ? sampled_mv * 1024u / reference : 0;

	if (result > 1023)
		result = 1023;
	if (avr_regbit_get(chip, adc->adlar))
		result <<= 6;
	chip->data[adc->r_adcl] = (uint8_t)result;
	chip->data[adc->r_adch] = (uint8_t)(result >> 8);
}

static uint8_t low_read(avr_t *avr, avr_io_addr_t at, void *param)
{
	(void)param;
	if (!adc->read_status) {
		convert();
		adc->read_status = 1;
	}
	return avr->data[at];
}

static uint8_t high_read(avr_t *avr, avr_io_addr_t at, void *param)
{
	(void)param;
	if (!adc->read_status)
		convert();
	adc->read_status = 2;
	return avr->data[at];
}

void analog_start(uint32_t supply_mv, uint32_t aref_mv)
{
	chip->vcc = chip->avcc = supply_mv;
	chip->aref = aref_mv;
	adc = find_module("adc", 0, 0);
	if (!adc)
		return;
	avr_irq_register_notify(&adc->io.irq[ADC_IRQ_OUT_TRIGGER], conversion_starts, NULL);
	instead_of_read(adc->r_adcl, low_read, NULL);
	instead_of_read(adc->r_adch, high_read, NULL);
}
