/* What the registers of a thermocouple converter of the MAX31856 kind say, as 0.001 degC and fault bits. Pure. The
 * registers' addresses, bits and units are from memory of the converter's data sheet. */
#ifndef THERMOCOUPLE_H
#define THERMOCOUPLE_H

#include <stdbool.h>
#include <stdint.h>

#define REGISTERS 16u /* CR0 to SR, read in one go */
#define REGISTER_CR0 0x00u
#define REGISTER_CR1 0x01u
#define REGISTER_MASK 0x02u
#define REGISTER_CJTH 0x0Au
#define REGISTER_LTCBH 0x0Cu
#define REGISTER_SR 0x0Fu
#define REGISTER_WRITE 0x80u /* added to an address */
#define SETTING_BYTES 10u /* CR0 to CJTO are ours to set */
#define CR0_ONE_SHOT 0x40u
#define CR0_OURS 0x11u /* waits for a one-shot; looks for an open sensor of up to 5 kOhm; filters 50 Hz */

typedef struct {
    int32_t value_mc;
    int32_t cold_mc;
    uint8_t faults; /* FAULT_ bits */
} reading_t;

/* What CR0 to CJTO are set to. */
extern const uint8_t THERMOCOUPLE_SETTINGS[SETTING_BYTES];

/* False: the settings do not read back as they were written, so that nothing else can be believed. `registers` are CR0
 * to SR after a finished conversion. */
bool thermocouple_read(const uint8_t *registers, reading_t *reading);

#endif
