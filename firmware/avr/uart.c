/* uart.c - a ring each way between the line and the loop. A byte that finds no room is lost; its line's
 * length and checksum tell. */
#include "firmware/avr/port.h"

#ifndef FW_BAUD
#define FW_BAUD 250000UL
#endif

#define RING 64 /* bytes each way; a power of two */
#define MASK (RING - 1)

static volatile uint8_t in_head, in_tail, out_head, out_tail;
static uint8_t in[RING], out[RING];

void uart_init(void)
{
    UCSR0A = (1 << U2X0);
    UCSR0C = (1 << UCSZ01) | (1 << UCSZ00);
    UBRR0 = (uint16_t)((F_CPU + FW_BAUD * 4) / (FW_BAUD * 8) - 1);
    UCSR0B = (1 << RXEN0) | (1 << TXEN0) | (1 << RXCIE0);
}

/* The place at the head is always free. */
ISR(USART_RX_vect)
{
    uint8_t head = in_head;
    in[head] = UDR0;
    head = (uint8_t)((head + 1) & MASK);
    if (head != in_tail) in_head = head;
}

ISR(USART_UDRE_vect)
{
    uint8_t tail = out_tail;
    UDR0 = out[tail];
    tail = (uint8_t)((tail + 1) & MASK);
    out_tail = tail;
    if (tail == out_head) UCSR0B = (1 << RXEN0) | (1 << TXEN0) | (1 << RXCIE0);
}

bool uart_take(uint8_t *byte)
{
    uint8_t tail = in_tail;
    if (tail == in_head) return false;
    *byte = in[tail];
    in_tail = (uint8_t)((tail + 1) & MASK);
    return true;
}

bool uart_quiet(void)
{
    return in_tail == in_head;
}

/* core_take, many bytes at a time. */
void uart_feed(void)
{
    uint8_t at = core.out_at, count = core.out_count, head = out_head;
    if (at == count) return;
    uint8_t room = (uint8_t)((out_tail - head - 1) & MASK);
    for (; room && at != count; room--) {
        out[head] = (uint8_t)core.out[at++];
        head = (uint8_t)((head + 1) & MASK);
    }
    core.out_at = at;
    out_head = head;
    UCSR0B = (1 << RXEN0) | (1 << TXEN0) | (1 << RXCIE0) | (1 << UDRIE0);
}
