/* What is not a thermocouple: contacts, read-backs, fan and analogue inputs. */
#ifndef SENSES_H
#define SENSES_H

#include <stdbool.h>
#include <stdint.h>

void senses_start(void);

/* Reads every input once, one analogue one among them. */
void senses_pass(uint8_t passes);

/* CONTACT_ bits of signals.h, three passes steady. */
uint8_t senses_contacts(void);

bool senses_modulator(void);
bool senses_contactor(bool has_contact);
uint16_t senses_aux_mv(void);
uint16_t senses_current_mv(void);

/* The internal reference, mV; 0 until it has been measured. */
uint16_t senses_reference_mv(void);

/* Pulses of the last whole second. */
uint16_t senses_fan_pulses(void);

#endif
