/* The serial line: 115,200 baud, 8N1, by interrupt. Nothing here waits. */
#ifndef UART_H
#define UART_H

#include <stdbool.h>
#include <stdint.h>

void uart_start(void);

/* One received byte. False: there is none. */
bool uart_take(uint8_t *byte);

/* Room for one line of LINE_FROM_BOARD_MAX bytes; 0 while the line before is still leaving. */
uint8_t *uart_line(void);

/* Lets the first `length` bytes of that room leave. */
void uart_begin(uint16_t length);

#endif
