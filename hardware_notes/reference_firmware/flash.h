/* Tables that never change stay in the program memory of a processor that has two memories; elsewhere this is nothing. */
#ifndef FLASH_H
#define FLASH_H

#ifdef __AVR__
#define IN_FLASH __flash /* D-10 */
#else
#define IN_FLASH
#endif

#endif
