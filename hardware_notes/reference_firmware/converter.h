/* Three thermocouple converters on one SPI bus: each measures once, says so, and is started again. */
#ifndef CONVERTER_H
#define CONVERTER_H

#include <stdbool.h>
#include <stdint.h>

#include "decide.h"

typedef struct {
    channel_t channel;
    int32_t cold_mc;
    uint8_t conversions; /* that finished and read well, modulo 256 */
    uint8_t waited; /* passes since the last one */
    uint8_t next; /* what it wants of the bus */
} converter_t;

/* `channels`: bit set of those that are fitted. */
void converters_start(uint8_t channels);

/* Asks each once whether it has finished. `passes` since the call before. */
void converters_pass(uint8_t passes);

const converter_t *converter_at(uint8_t at);

#endif
