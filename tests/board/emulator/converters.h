/* Three thermocouple converters of the MAX31856 kind on one SPI bus. Registers, bits and times are from memory of the
 * converter's data sheet. SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONVERTERS_H
#define CONVERTERS_H

#include <stdbool.h>
#include <stdint.h>

#define CONVERTERS 3
#define CONVERTER_REGISTERS 16

typedef enum { FAILS_NOT = 0, FAILS_HUNG = 1, FAILS_ALL_ZEROS = 2, FAILS_ALL_ONES = 3, FAILS_SETTINGS = 4 } failure_t;

typedef struct {
    uint8_t registers[CONVERTER_REGISTERS];
    bool selected;
    bool addressed;  /* the first byte of this transaction has been heard */
    bool writing;
    uint8_t at;
    uint64_t ready;  /* cycle at which the conversion that runs is finished; 0: none runs */
    int32_t value;   /* what the next conversion finds: 1/128 degC */
    int16_t cold;    /* 1/64 degC */
    uint8_t status;  /* bits of SR that hold besides the thresholds' own */
    uint8_t fails;   /* a failure_t */
    uint32_t finished;
} converter_t;

/* As after its supply has come on: not configured. */
void converter_power_on(converter_t *one);

void converter_select(converter_t *one, bool selected);

/* One byte each way, at `cycle`, with `ms` cycles in a millisecond. */
uint8_t converter_exchange(converter_t *one, uint8_t sent, uint64_t cycle, uint64_t ms);

#endif
