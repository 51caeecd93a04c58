/* A ring of 128 bytes in, one line out. A byte that finds the ring full, or came damaged, spoils its line's CRC. */
#include "uart.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "frames.h"

#if defined(USART_RX_vect)
#define USART_RECEIVED USART_RX_vect
#define USART_EMPTY USART_UDRE_vect
#else
#define USART_RECEIVED USART0_RX_vect
#define USART_EMPTY USART0_UDRE_vect
#endif

_Static_assert(LINE_FROM_BOARD_MAX == 256u, "a place in the line is one byte");

#define RING_BYTES 128u
#define RING_MASK (RING_BYTES - 1u)
#define BAUD_DIVISOR 16u /* 16 MHz / 8 / 17 = 117,647, 2.1 % fast; with U2X nothing nearer exists */

/* Shared with the interrupts: D-6 */
static volatile uint8_t ring[RING_BYTES];
static volatile uint8_t ring_in;
static volatile uint8_t ring_out;
static uint8_t line[LINE_FROM_BOARD_MAX];
static volatile uint8_t line_at;
static volatile uint8_t line_last;

ISR(USART_RECEIVED)
{
    uint8_t status = UCSR0A;
    uint8_t byte = UDR0;
    uint8_t next = (uint8_t)((ring_in + 1u) & RING_MASK);

    if ((status & (uint8_t)((1u << FE0) | (1u << DOR0))) != 0u) {
        byte = 0u;
    }
    if (next != ring_out) {
        ring[ring_in] = byte;
        ring_in = next;
    }
}

ISR(USART_EMPTY)
{
    uint8_t at = line_at;

    UDR0 = line[at];
    if (at == line_last) {
        UCSR0B &= (uint8_t)~(1u << UDRIE0);
    }
    line_at = (uint8_t)(at + 1u);
}

void uart_start(void)
{
    UBRR0 = BAUD_DIVISOR;
    UCSR0A = (uint8_t)(1u << U2X0);
    UCSR0C = (uint8_t)((1u << UCSZ01) | (1u << UCSZ00));
    UCSR0B = (uint8_t)((1u << RXCIE0) | (1u << RXEN0) | (1u << TXEN0));
}

bool uart_take(uint8_t *byte)
{
    uint8_t at = ring_out;

    if (at == ring_in) {
        return false;
    }
    *byte = ring[at];
    ring_out = (uint8_t)((at + 1u) & RING_MASK);
    return true;
}

uint8_t *uart_line(void)
{
    return ((UCSR0B & (uint8_t)(1u << UDRIE0)) != 0u) ? 0 : line;
}

void uart_begin(uint16_t length)
{
    line_last = (uint8_t)(((length < LINE_FROM_BOARD_MAX) ? length : LINE_FROM_BOARD_MAX) - 1u);
    line_at = 0u;
    UCSR0B |= (uint8_t)(1u << UDRIE0);
}
