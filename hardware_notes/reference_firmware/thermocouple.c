#include "thermocouple.h"

#include "decide.h"

#define SR_COLD_RANGE 0x80u
#define SR_RANGE 0x40u
#define SR_OVER_OR_UNDER 0x02u
#define SR_OPEN 0x01u
#define VALUE_SPARE 32 /* the value's 19 bits stand at the top of 24 */
#define COLD_MIN_MC 0
#define COLD_MAX_MC 70000

/* CR0, CR1 (no averaging, type K), MASK (the fault pin is not used), then limits the converter never reaches, and no
 * offset for the cold junction. */
const uint8_t THERMOCOUPLE_SETTINGS[SETTING_BYTES] = {
    CR0_OURS, 0x03u, 0xFFu, 0x7Fu, 0xC0u, 0x7Fu, 0xFFu, 0x80u, 0x00u, 0x00u,
};

/* One step is 2^-7 degC, so 125/16 of 0.001 degC; at most 262,144 steps. Exact to the unit, towards zero. */
static int32_t value_mc_of(const uint8_t *bytes)
{
    uint32_t raw = ((uint32_t)bytes[0] << 16) | ((uint32_t)bytes[1] << 8) | (uint32_t)bytes[2];
    int32_t signed_raw = (bytes[0] >= 0x80u) ? ((int32_t)raw - 0x1000000) : (int32_t)raw;

    return ((signed_raw / VALUE_SPARE) * 125) / 16;
}

/* One step is 2^-6 degC, at the top of 16 bits: 1/256 degC, so 125/32 of 0.001 degC. */
static int32_t cold_mc_of(const uint8_t *bytes)
{
    uint16_t raw = (uint16_t)(((uint16_t)bytes[0] << 8) | (uint16_t)bytes[1]);
    int32_t signed_raw = (bytes[0] >= 0x80u) ? ((int32_t)raw - 0x10000) : (int32_t)raw;

    return (signed_raw * 125) / 32;
}

static uint8_t faults_of(uint8_t status, int32_t cold_mc)
{
    uint8_t faults = 0u;

    if ((status & SR_OPEN) != 0u) {
        faults |= (uint8_t)FAULT_OPEN;
    }
    if ((status & SR_OVER_OR_UNDER) != 0u) {
        faults |= (uint8_t)FAULT_SHORT_TO_SUPPLY;
    }
    if ((status & SR_RANGE) != 0u) {
        faults |= (uint8_t)FAULT_OUT_OF_RANGE;
    }
    if (((status & SR_COLD_RANGE) != 0u) || (cold_mc < COLD_MIN_MC) || (cold_mc > COLD_MAX_MC)) {
        faults |= (uint8_t)FAULT_COLD_JUNCTION;
    }
    return faults;
}

bool thermocouple_read(const uint8_t *registers, reading_t *reading)
{
    for (uint8_t at = 0u; at < SETTING_BYTES; at++) {
        if (registers[at] != THERMOCOUPLE_SETTINGS[at]) {
            return false;
        }
    }
    reading->value_mc = value_mc_of(&registers[REGISTER_LTCBH]);
    reading->cold_mc = cold_mc_of(&registers[REGISTER_CJTH]);
    reading->faults = faults_of(registers[REGISTER_SR], reading->cold_mc);
    return true;
}
