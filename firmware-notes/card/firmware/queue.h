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
#define QUEUE_WRITES (QUEUE_SIZE - QUEUE_RESERVE)

/* What an entry tells stands in its word, its flags in the highest byte. A write: bits 0-7 the byte, 8-17 the port.
   A loss: bits 0-15 the count. A note: bits 0-7 the kind, 8-15 the value. */
#define WORD_PORT(word) ((word) >> 8 & 0x3ff)
#define WORD_FLAGS(word) ((word) >> 24)
#define WORD_WRITE 0x3ffff

struct entry {
    uint32_t stamp; /* us */
    uint32_t word;
};

/* Numbers of entries run on over the wrap; the difference of the two is what waits. */
struct queue {
    uint32_t put, taken; /* taken: what is before it may be overwritten */
    uint32_t dropped; /* writes that are not told yet */
    struct entry entries[QUEUE_SIZE];
};
extern struct queue queue;

void queue_put(uint32_t stamp, uint32_t flags, uint32_t what); /* anything but a write */
void queue_write_after_loss(uint32_t stamp, uint32_t word);
void queue_settle_loss(uint32_t stamp);
const struct entry *queue_at(uint32_t number); /* 0: there is none yet */

/* A write. Inline: a flood leaves 94 cycles for each. After a loss there must be room for its count too. */
static inline void queue_write(uint32_t stamp, uint32_t word) {
    if (queue.put - queue.taken + !!queue.dropped >= QUEUE_WRITES) {
        queue.dropped++;
    } else if (queue.dropped) {
        queue_write_after_loss(stamp, word);
    } else {
        struct entry *one = &queue.entries[queue.put++ % QUEUE_SIZE];
        one->stamp = stamp;
        one->word = word & WORD_WRITE;
    }
}

#endif
