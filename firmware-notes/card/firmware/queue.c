#include "queue.h"

#define LOST_MOST 0xfffe /* in one entry: FFFFh would mean "or more" */

struct queue queue;

static uint32_t room(void) { return QUEUE_SIZE - (queue.put - queue.taken); }

void queue_put(uint32_t stamp, uint32_t flags, uint32_t what) {
    if (room()) {
        struct entry *one = &queue.entries[queue.put++ % QUEUE_SIZE];
        one->stamp = stamp;
        one->word = flags << 24 | what;
    }
}

static void put_loss(uint32_t stamp) {
    const uint32_t count = queue.dropped < LOST_MOST ? queue.dropped : LOST_MOST;
    queue_put(stamp, F_NO_CODE | F_LOST, count);
    queue.dropped -= count;
}

/* What was dropped is told just before the next write that fits. There is room for two. */
void queue_write_after_loss(uint32_t stamp, uint32_t word) {
    put_loss(stamp);
    queue_write(stamp, word);
}

/* What was dropped at the end of a flood is told as soon as all before it has left. */
void queue_settle_loss(uint32_t stamp) {
    if (queue.dropped && queue.put == queue.taken) {
        put_loss(stamp);
    }
}

const struct entry *queue_at(uint32_t number) {
    return queue.put == number ? 0 : &queue.entries[number % QUEUE_SIZE];
}
