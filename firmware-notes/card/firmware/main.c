/* The card: what is on the bus goes into the queue, what is in the queue goes out in frames. */
#include "bus.h"
#include "frame.h"
#include "pins.h"
#include "queue.h"
#include "rp2040.h"

#define ALIVE_US 1000000u

static uint8_t wire[WIRE_MOST];
static uint32_t wire_length, wire_at, framed_at;

static void uart_start(void) {
    UART_IBRD = 67; /* 125 MHz / (16 * 115,200) = 67 + 52/64 */
    UART_FBRD = 52;
    UART_LCR_H = 0x70; /* 8N1, FIFOs on */
    UART_CR = 0x101;
    PAD(PIN_UART_TX) = PAD_SCHMITT;
    IO_CTRL(PIN_UART_TX) = FUNCTION_UART;
}

/* A frame is complete before its first byte leaves, and built when that can leave at once. */
static void send(void) {
    while (wire_at < wire_length && !(UART_FR & UART_FULL)) {
        UART_DR = wire[wire_at++];
    }
    if (wire_at < wire_length || !(UART_FR & UART_EMPTY)) {
        return;
    }
    if (queue_first()) {
        wire_length = frame_codes(wire);
    } else if (settled - framed_at >= ALIVE_US) {
        wire_length = frame_plain(wire, KIND_ALIVE, settled);
    } else {
        return;
    }
    wire_at = 0;
    framed_at = settled;
}

int main(void) {
    uart_start();
    bus_start();
    UART_DR = 0; /* ends what a restart cut off */
    framed_at = settled;
    wire_length = frame_plain(wire, KIND_STARTED, settled);
    for (;;) {
        bus_look();
        send();
    }
}
