/* Capture: state machines see, DMA stamps and stores, the core only collects. README.md tells why it is so. */
#include "bus.h"

#include "pins.h"
#include "queue.h"
#include "rp2040.h"

#define WRITES_BITS 15 /* of the ring of bus cycles, in bytes: 8,192 words, the most that the DMA can turn round in */
#define WRITES (1u << (WRITES_BITS - 2))
#define WRITES_AT_ONCE 1024 /* of them in one look, so that the line out does not starve */
#define EDGES_BITS 8
#define EDGES (1u << (EDGES_BITS - 2))

#define AFTER_US 2     /* what is older than this has passed the state machines and the DMA */
#define AHEAD_US 1000000u /* a stamp this far ahead at most is ahead; another is far behind */
#define CARD_NOTE_US 10000000u
#define JUMPER_US 20000u
#define SETTLE_US 100u

static volatile uint32_t write_words[WRITES] __attribute__((section(".rings"), aligned(1 << WRITES_BITS)));
static volatile uint32_t write_stamps[WRITES] __attribute__((section(".rings"), aligned(1 << WRITES_BITS)));
static volatile uint32_t edge_words[EDGES] __attribute__((section(".rings"), aligned(1 << EDGES_BITS)));
static volatile uint32_t edge_stamps[EDGES] __attribute__((section(".rings"), aligned(1 << EDGES_BITS)));

/* A ring and the two DMA channels that fill it: one moves the word, the next its time, and starts the first again. */
struct ring {
    const volatile uint32_t *words, *stamps;
    uint32_t mask, stamp_channel, at;
};
static struct ring writes = {write_words, write_stamps, WRITES - 1, 1, 0};
static struct ring edges = {edge_words, edge_stamps, EDGES - 1, 3, 0};

/* By one look it is decided whether a cycle is told. Index: bits 8 to 21 of the sample, so a0 to a9, AEN (high: DMA),
   IOW# (low), reset and power: no processor writes in reset or without power, then lines only float. */
#define WATCHED_BITS 14
#define LEVEL(pin) (1u << ((pin) - PIN_A0))
static uint8_t watched[1 << WATCHED_BITS];
static const uint16_t sets[4][PORTS_MOST] = {
    {0x80},
    {0x80, 0x84, 0x90},
    {0x80, 0x84, 0x90, 0x300},
    {0x10, 0x11, 0x60, 0x80, 0x84, 0x90, 0x190, 0x300}, /* firmware-notes/post-codes.md */
};
static const uint8_t set_sizes[4] = {1, 3, 4, 8};

const uint16_t *ports;
uint32_t port_count;
uint32_t settled;
static uint32_t jumpers, jumpers_since, card_note_at;
static uint32_t levels; /* bit 0: reset, bit 1: power */
static int power_seen;

/* Writes: IOW# low for 72 ns at least; of the samples the last is pushed that was still low 8 ns later. Short highs
   within a strobe are passed over: five looks, 8 ns apart, must find it ended. */
#define SAMPLE 11
static const uint16_t see_writes[] = {
    /* 0 */ P_WAIT_HIGH(PIN_IOW),
    /* 1 */ P_WAIT_LOW(PIN_IOW),
    /* 2 */ P_JMP_PIN(1), P_JMP_PIN(1), P_JMP_PIN(1), P_JMP_PIN(1), P_JMP_PIN(1), P_JMP_PIN(1), P_JMP_PIN(1),
    /* 9 */ P_MOV(M_X, M_PINS), P_JMP_PIN(1),
    /* 11: sample */ P_MOV(M_Y, M_PINS), P_JMP_PIN(14),
    /* 13: wraps to 11 */ P_MOV(M_X, M_Y),
    /* 14: over? */ P_JMP_PIN(16), P_JMP(SAMPLE),
    /* 16 */ P_JMP_PIN(18), P_JMP(SAMPLE),
    /* 18 */ P_JMP_PIN(20), P_JMP(SAMPLE),
    /* 20 */ P_JMP_PIN(22), P_JMP(SAMPLE),
    /* 22 */ P_MOV(M_ISR, M_X), P_PUSH, P_JMP(1),
};

/* Edges of RESET DRV and power: a new pair of levels counts when six looks, 32 ns apart, see the same. x holds the
   pair told last. */
#define LOOK P_MOV(M_ISR, M_NULL), P_IN_PINS(2), P_MOV(M_Y, M_ISR)
static const uint16_t see_edges[] = {
    /* 0 */ LOOK, /* 3: wraps to 0 */ P_JMP_X_NOT_Y(4),
    /* 4 */ P_MOV(M_OSR, M_X), P_MOV(M_X, M_ISR),
    /* 6 */ LOOK, P_JMP_X_NOT_Y(28), LOOK, P_JMP_X_NOT_Y(28), LOOK, P_JMP_X_NOT_Y(28),
    /* 18 */ LOOK, P_JMP_X_NOT_Y(28), LOOK, P_JMP_X_NOT_Y(28),
    /* 26 */ P_PUSH, P_JMP(0),
    /* 28: it was nothing */ P_MOV(M_X, M_OSR), P_JMP(0),
};

static void machine(uint32_t pio, const uint16_t *code, uint32_t length, uint32_t wrap_from, uint32_t wrap_to,
                    uint32_t jump_pin, uint32_t first_pin) {
    for (uint32_t i = 0; i < length; i++) {
        REG(pio + PIO_CODE + 4 * i) = code[i];
    }
    REG(pio + PIO_EXECCTRL) = jump_pin << 24 | wrap_from << 12 | wrap_to << 7;
    REG(pio + PIO_SHIFTCTRL) = 1u << 31; /* shift left; the whole FIFO for what comes in: 8 words */
    REG(pio + PIO_PINCTRL) = first_pin << 15;
    REG(pio + PIO_INSTR) = P_SET_X(0);
    REG(pio + PIO_INSTR) = P_JMP(0);
}

static void fill(const struct ring *ring, uint32_t pio, uint32_t dreq, uint32_t bits) {
    const uint32_t stamp = ring->stamp_channel, word = stamp - 1;
    const uint32_t each = DMA_ENABLE | DMA_PRIORITY | DMA_WORDS | DMA_WRITE_ON | DMA_WRITE_RING(bits) | DMA_QUIET;
    DMA(stamp, DMA_READ) = TIMERAWL_ADDRESS;
    DMA(stamp, DMA_WRITE) = (uint32_t)ring->stamps;
    DMA(stamp, DMA_COUNT) = 1;
    DMA(stamp, DMA_CTRL) = each | DMA_CHAIN(word) | DMA_PACED_BY(DREQ_NONE);
    DMA(word, DMA_READ) = pio + PIO_RXF0;
    DMA(word, DMA_WRITE) = (uint32_t)ring->words;
    DMA(word, DMA_COUNT) = 1;
    DMA(word, DMA_CTRL_TRIGGER) = each | DMA_CHAIN(stamp) | DMA_PACED_BY(dreq);
}

static uint32_t end_of(const struct ring *ring) {
    return (DMA(ring->stamp_channel, DMA_WRITE) >> 2) & ring->mask;
}

static uint32_t read_jumpers(void) {
    const uint32_t pins = ~GPIO_IN;
    return (pins >> PIN_JUMPER0 & 1) | (pins >> PIN_JUMPER1 & 1) << 1;
}

/* A power line that was never seen high is not wired, and says nothing. */
static void watch(int on) {
    for (uint32_t i = 0; i < port_count; i++) {
        watched[ports[i] | LEVEL(PIN_POWER)] = (uint8_t)on;
        watched[ports[i]] = (uint8_t)(on && !power_seen);
    }
}

static void choose_ports(void) {
    watch(0);
    ports = sets[jumpers];
    port_count = set_sizes[jumpers];
    watch(1);
}

void bus_tell(void) {
    card_note_at = settled;
    queue_put(settled, F_NO_CODE | F_NOTE, NOTE_CARD);
}

void bus_start(void) {
    for (uint32_t pin = 0; pin <= PIN_POWER; pin++) {
        PAD(pin) = PAD_INPUT | PAD_SCHMITT | PAD_NO_OUTPUT;
    }
    PAD(PIN_IOW) |= PAD_PULL_UP; /* a line that is not wired must be at rest */
    PAD(PIN_AEN) |= PAD_PULL_DOWN;
    PAD(PIN_RESET) |= PAD_PULL_DOWN;
    PAD(PIN_POWER) |= PAD_PULL_DOWN;
    PAD(PIN_JUMPER0) = PAD(PIN_JUMPER1) = PAD_INPUT | PAD_SCHMITT | PAD_NO_OUTPUT | PAD_PULL_UP;

    BUS_PRIORITY = 1u << 8 | 1u << 12; /* the DMA goes before the cores */
    settled = NOW;
    machine(PIO0, see_writes, sizeof see_writes / sizeof *see_writes, 13, SAMPLE, PIN_IOW, 0);
    machine(PIO1, see_edges, sizeof see_edges / sizeof *see_edges, 3, 0, 0, PIN_RESET);
    fill(&writes, PIO0, DREQ_PIO0_RX0, WRITES_BITS);
    fill(&edges, PIO1, DREQ_PIO1_RX0, EDGES_BITS);
    REG(PIO0) = 1;
    REG(PIO1) = 1;

    while (NOW - settled < SETTLE_US) { /* until the pull-ups have charged the jumpers' pins */
    }
    jumpers = read_jumpers();
    choose_ports();
    bus_tell();
    if (!(GPIO_IN >> PIN_POWER & 1)) {
        queue_put(settled, F_NO_CODE | F_NOTE, NOTE_POWER); /* there it would be an edge, which tells itself */
    }
}

static int after(uint32_t stamp, uint32_t until) { return stamp - until - 1 < AHEAD_US; }

static void edge(uint32_t stamp, uint32_t now) {
    const uint32_t changed = levels ^ now;
    levels = now;
    if (changed & 2) {
        queue_put(stamp, F_NO_CODE | F_NOTE, NOTE_POWER | (now >> 1 & 1) << 8);
        if (!power_seen) {
            power_seen = 1;
            watch(1);
        }
    }
    if (changed & now & 1) {
        queue_put(stamp, F_NO_CODE | F_RESET, 0);
    } else if (changed & 1) {
        queue_put(stamp, F_NO_CODE | F_NOTE, NOTE_RELEASED);
    }
}

/* Edges that are not younger than `until`. */
static void take_edges(uint32_t end, uint32_t until) {
    while (edges.at != end && !after(edges.stamps[edges.at], until)) {
        edge(edges.stamps[edges.at], edges.words[edges.at]);
        edges.at = (edges.at + 1) & edges.mask;
    }
}

static int is_watched(uint32_t word) { return watched[word >> PIN_A0 & ((1u << WATCHED_BITS) - 1)]; }

/* Choose where this look ends. Where the ring is half full the oldest cycles are only counted: that takes 16 clocks
   each, and the shortest cycles leave 31, so that the DMA never overtakes. */
static uint32_t end_of_look(uint32_t end) {
    uint32_t waiting = (end - writes.at) & writes.mask;
    for (; waiting > WRITES / 2; waiting--) {
        queue.dropped += (uint32_t)is_watched(write_words[writes.at]);
        writes.at = (writes.at + 1) & (WRITES - 1);
    }
    if (waiting > WRITES_AT_ONCE) {
        end = (writes.at + WRITES_AT_ONCE) & (WRITES - 1);
        settled = write_stamps[(end - 1) & (WRITES - 1)];
    }
    return end;
}

static void take_writes(uint32_t end, uint32_t edges_end) {
    const uint32_t until = settled;
    uint32_t at = writes.at;
    for (; at != end; at = (at + 1) & (WRITES - 1)) {
        const uint32_t word = write_words[at];
        if (!is_watched(word)) {
            continue;
        }
        const uint32_t stamp = write_stamps[at];
        if (after(stamp, until)) {
            break;
        }
        if (edges.at != edges_end) {
            take_edges(edges_end, stamp - 1); /* in one microsecond the write came first */
        }
        queue_write(stamp, word);
    }
    writes.at = at;
}

static void look_at_jumpers(void) {
    const uint32_t now = read_jumpers();
    if (now == jumpers) {
        jumpers_since = settled;
    } else if (settled - jumpers_since > JUMPER_US) {
        jumpers = now;
        choose_ports();
        bus_tell();
    }
}

/* Move what has come into the queue. The two rings are read in an order that keeps time: see AFTER_US. */
void bus_look(void) {
    settled = NOW - AFTER_US;
    const uint32_t edges_end = end_of(&edges), writes_end = end_of_look(end_of(&writes));
    take_writes(writes_end, edges_end);
    take_edges(edges_end, settled);
    if (REG(PIO0 + PIO_FDEBUG) & 1) { /* the FIFO was full: the DMA was kept from the bus for microseconds */
        REG(PIO0 + PIO_FDEBUG) = 1;
        queue.dropped++;
    }
    queue_settle_loss(settled);
    look_at_jumpers();
    if (settled - card_note_at >= CARD_NOTE_US) {
        bus_tell();
    }
}
