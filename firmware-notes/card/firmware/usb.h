/* The board's USB as a serial port (CDC-ACM), without interrupts. */
#ifndef USB_H
#define USB_H

#include <stdint.h>

void usb_start(void);
void usb_look(void);
int usb_open(void);                                         /* whether a program has the port open */
uint32_t usb_send(const uint8_t *bytes, uint32_t count);    /* returns how many were taken */

#endif
