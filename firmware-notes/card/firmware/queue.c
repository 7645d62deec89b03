#include "queue.h"

#define LOST_MOST 0xfffe /* one less than "that many or more" */

static struct entry entries[QUEUE_SIZE];
static uint32_t put_number, take_number; /* run on over the wrap; their difference is what waits */
static uint32_t dropped;

static int room(uint32_t most) { return put_number - take_number < most; }

static struct entry *put(uint32_t stamp, uint32_t flags) {
    struct entry *one = &entries[put_number % QUEUE_SIZE];
    one->stamp = stamp;
    one->lost = (uint16_t)(dropped < LOST_MOST ? dropped : LOST_MOST);
    dropped -= one->lost;
    one->flags = (uint8_t)flags;
    put_number++;
    return one;
}

void queue_drop(void) { dropped++; }

void queue_write(uint32_t stamp, uint32_t port, uint32_t code) {
    while (dropped > LOST_MOST && room(QUEUE_SIZE - QUEUE_RESERVE)) {
        put(stamp, F_NO_CODE);
    }
    if (!room(QUEUE_SIZE - QUEUE_RESERVE)) {
        dropped++;
        return;
    }
    struct entry *one = put(stamp, 0);
    one->port = (uint16_t)port;
    one->code = (uint8_t)code;
}

void queue_reset(uint32_t stamp) {
    if (room(QUEUE_SIZE)) {
        put(stamp, F_NO_CODE | F_RESET);
    }
}

void queue_note(uint32_t stamp, uint32_t kind, uint32_t value) {
    if (room(QUEUE_SIZE)) {
        struct entry *one = put(stamp, F_NO_CODE | F_NOTE);
        one->port = (uint16_t)value;
        one->code = (uint8_t)kind;
    }
}

/* What was dropped at the end of a flood is told as soon as all before it has left. */
void queue_settle_loss(uint32_t stamp) {
    if (dropped && !queue_first()) {
        put(stamp, F_NO_CODE);
    }
}

const struct entry *queue_first(void) {
    return put_number == take_number ? 0 : &entries[take_number % QUEUE_SIZE];
}

void queue_take(void) { take_number++; }

uint32_t queue_number(void) { return take_number; }
