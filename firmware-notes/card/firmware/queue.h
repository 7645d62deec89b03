/* The queue between the bus and the line out. */
#ifndef QUEUE_H
#define QUEUE_H

#include <stdint.h>

/* Flags of an entry, as they stand in a frame (firmware-notes/card-framings.md). */
#define F_PORT 0x02
#define F_RESET 0x04
#define F_LOST 0x08
#define F_DISTANCE 0x10
#define F_NO_CODE 0x20
#define F_NOTE 0x80

#define NOTE_CARD 1
#define NOTE_POWER 2
#define NOTE_RELEASED 3

#define QUEUE_SIZE 8192 /* entries, a power of two */
#define QUEUE_RESERVE 64 /* of them for what is no write: resets and power are told in any flood */

struct entry {
    uint32_t stamp; /* us */
    uint16_t lost;  /* writes dropped just before it */
    uint16_t port;  /* or what a power note says */
    uint8_t code;   /* or the kind of a note */
    uint8_t flags;  /* of F_RESET, F_NO_CODE and F_NOTE */
};

void queue_write(uint32_t stamp, uint32_t port, uint32_t code);
void queue_reset(uint32_t stamp);
void queue_note(uint32_t stamp, uint32_t kind, uint32_t value);
void queue_drop(void);
void queue_settle_loss(uint32_t stamp);

const struct entry *queue_first(void);
void queue_take(void);
uint32_t queue_number(void); /* of the first entry, or of the one that comes next */

#endif
