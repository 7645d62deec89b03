/* Frames: firmware-notes/card-framings.md, "bench, version 1". */
#ifndef FRAME_H
#define FRAME_H

#include <stdint.h>

#define WIRE_MOST 256 /* bytes that a frame has room for */
#define KIND_ALIVE 1
#define KIND_STARTED 2

/* Both return the bytes on the wire. `number` is of the entry that comes next. */
uint32_t frame_plain(uint8_t *wire, uint32_t number, uint32_t kind, uint32_t ticks);
/* Takes entries from `number` on, which is there, and moves it behind them. */
uint32_t frame_codes(uint8_t *wire, uint32_t *number);

#endif
