/* What the board says, one line after the other: the report when it is due, answers in the order of their frames, limits
 * every 5 s. */
#ifndef SPEECH_H
#define SPEECH_H

#include <stdbool.h>
#include <stdint.h>

#include "decide.h"
#include "frames.h"

void speech_start(void);

/* False: four answers wait, so that no frame may be taken. */
bool speech_has_room(void);

/* Remembers what a decision wants answered. */
void speech_answer(const frame_t *frame, const outputs_t *outputs);

/* Begins at most one line, once the one before has left. Takes the state's on-time into a report. */
void speech_pass(uint8_t passes, state_t *state, const inputs_t *inputs, const outputs_t *outputs);

#endif
