/* The card: what is on the bus goes into the queue, what is in the queue goes out in frames, over the UART and, while a
   program has it open, over USB. */
#include "bus.h"
#include "frame.h"
#include "pins.h"
#include "queue.h"
#include "rp2040.h"
#include "usb.h"

#define ALIVE_US 1000000u

/* One line out. A frame is complete before its first byte leaves, and built when that can leave at once. */
struct out {
    uint8_t wire[WIRE_MOST];
    uint32_t length, at;
    uint32_t taken; /* the entry that it tells next */
    uint32_t framed_at;
};
static struct out uart, usb;
static int usb_was_open;

static void uart_start(void) {
    UART_IBRD = 67; /* 125 MHz / (16 * 115,200) = 67 + 52/64 */
    UART_FBRD = 52;
    UART_LCR_H = 0x70; /* 8N1, FIFOs on */
    UART_CR = 0x101;
    PAD(PIN_UART_TX) = PAD_SCHMITT;
    IO_CTRL(PIN_UART_TX) = FUNCTION_UART;
}

/* Return whether there is something to send, of this frame or a new one. */
static int ready(struct out *out) {
    if (out->at < out->length) {
        return 1;
    }
    if (queue_at(out->taken)) {
        out->length = frame_codes(out->wire, &out->taken);
    } else if (settled - out->framed_at >= ALIVE_US) {
        out->length = frame_plain(out->wire, out->taken, KIND_ALIVE, settled);
    } else {
        return 0;
    }
    out->at = 0;
    out->framed_at = settled;
    return 1;
}

static void send_uart(void) {
    if ((uart.at < uart.length || UART_FR & UART_EMPTY) && ready(&uart)) {
        while (uart.at < uart.length && !(UART_FR & UART_FULL)) {
            UART_DR = uart.wire[uart.at++];
        }
    }
}

/* Who opens the port gets what comes from then on: 00h, a sign of life, what the card is. */
static void send_usb(int open) {
    if (open && !usb_was_open) {
        usb.taken = queue.put;
        usb.wire[0] = 0;
        usb.length = 1 + frame_plain(usb.wire + 1, usb.taken, KIND_ALIVE, settled);
        usb.at = 0;
        usb.framed_at = settled;
        bus_tell();
    }
    usb_was_open = open;
    if (open && ready(&usb)) {
        usb.at += usb_send(usb.wire + usb.at, usb.length - usb.at);
    }
}

int main(void) {
    uart_start();
    usb_start();
    bus_start();
    UART_DR = 0; /* ends what a restart cut off */
    uart.framed_at = settled;
    uart.length = frame_plain(uart.wire, 0, KIND_STARTED, settled);
    for (;;) {
        bus_look();
        usb_look();
        if (queue.put - uart.taken > QUEUE_SIZE) {
            uart.taken = queue.taken; /* USB is faster: the UART's receiver sees by the numbers what it missed */
        }
        send_uart();
        const int open = usb_open();
        send_usb(open);
        queue.taken = open ? usb.taken : uart.taken;
    }
}
