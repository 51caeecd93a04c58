/* Which pin does what, for each chip: data only, read by the firmware and by the emulator's harness. The budget and the
 * reasons stand in README.md. X(name, port letter, bit); A(name, converter channel) for analogue inputs.
 *
 * Contacts close to ground, with the chip's pull-up and 1 kOhm in series: door shut, local stop not in and contactor open
 * (normally closed auxiliary contact) read low, so that a broken wire reads as the safe side. Smoke, arm and silence
 * close when they act. Outputs are high when on, with a pull-down of their own on the board.
 */
#ifndef PINS_H
#define PINS_H

#if defined(__AVR_ATmega2560__) || defined(PINS_OF_ATMEGA2560)
/* The larger sibling: a pin for everything, nothing shared. */
#define CONTACT_PINS(X) \
    X(contactor_open, E, 5) X(door, G, 5) X(local_stop, E, 3) X(smoke, H, 5) X(arm, H, 6) X(silence, B, 4) \
    X(mains, L, 6) X(limiter, L, 7)
#define OTHER_PINS(X) \
    X(modulator, H, 3) X(contactor, H, 4) X(fan, E, 4) \
    X(select_control, B, 0) X(select_over_temperature, B, 7) X(select_third, B, 6) \
    X(spi_out, B, 2) X(spi_in, B, 3) X(spi_clock, B, 1) \
    X(lamp_armed, A, 0) X(lamp_heating, A, 1) X(lamp_hot, A, 2) X(sounder, A, 3)
#define ANALOGUE(A) A(aux, 0) A(current, 1)
#define HAS_MAINS_AND_LIMITER 1
#define BUTTONS_SHARE_A_PIN 0
#else
/* ATmega328P: every pin is used. Arm and silence share one analogue pin by two resistors. */
#define CONTACT_PINS(X) X(contactor_open, D, 3) X(door, D, 4) X(local_stop, D, 5) X(smoke, C, 1)
#define OTHER_PINS(X) \
    X(modulator, D, 6) X(contactor, D, 7) X(fan, D, 2) \
    X(select_control, B, 2) X(select_over_temperature, B, 1) X(select_third, B, 0) \
    X(spi_out, B, 3) X(spi_in, B, 4) X(spi_clock, B, 5) \
    X(lamp_armed, C, 2) X(lamp_heating, C, 3) X(lamp_hot, C, 4) X(sounder, C, 5)
#define ANALOGUE(A) A(buttons, 0) A(aux, 6) A(current, 7)
#define HAS_MAINS_AND_LIMITER 0
#define BUTTONS_SHARE_A_PIN 1
/* The buttons' ladder, mV at a supply of 5,000 mV: 10 kOhm to the supply; arm shorts to ground through 1 kOhm, silence
 * through 4.7 kOhm. Nothing pressed is 5,000, silence 1,599, arm 909, both 761. Below `LADDER_ARM_MV` arm is pressed. */
#define LADDER_ARM_MV 1250u
#define LADDER_SILENCE_MV 2500u /* and not below LADDER_ARM_MV, or below LADDER_BOTH_MV */
#define LADDER_BOTH_MV 835u
#endif

#define PINS(X) CONTACT_PINS(X) OTHER_PINS(X)

#endif
