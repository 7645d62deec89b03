/* What happens on the bus, into the queue. */
#ifndef BUS_H
#define BUS_H

#include <stdint.h>

#define PORTS_MOST 8

extern const uint16_t *ports;       /* that are watched now */
extern uint32_t port_count;
extern uint32_t settled;            /* everything on the bus until this moment (us) is in the queue */

void bus_start(void);
void bus_look(void);
void bus_tell(void); /* a note of what the card is */

#endif
