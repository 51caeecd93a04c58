/* Tables that never change stay in the program memory of a processor that has two memories; elsewhere this is nothing. */
#ifndef FLASH_H
#define FLASH_H

#ifdef __AVR__
#define IN_FLASH __flash /* D-10 */
#define APART __attribute__((noinline)) /* a function of its own: inside another it would need more room. D-10 */
#else
#define IN_FLASH
#define APART
#endif

#endif
