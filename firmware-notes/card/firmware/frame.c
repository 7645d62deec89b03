#include "frame.h"

#include "bus.h"
#include "queue.h"

#define VERSION 0x10
#define HEAD 7
#define BODY_MOST 252
#define TICK_NS 1000u
#define FIRMWARE_MAJOR 1
#define FIRMWARE_MINOR 0
#define NO_PORT 0xffffffffu
#define ENTRY_MOST 6 /* bytes: flags, distance, port, code; a loss and a reset have fewer */

static uint8_t body[BODY_MOST + 2];
static uint32_t length;

static void add(uint32_t value, uint32_t bytes) {
    for (; bytes; bytes--, value >>= 8) {
        body[length++] = (uint8_t)value;
    }
}

static void head(uint32_t number, uint32_t kind, uint32_t ticks) {
    length = 0;
    add(VERSION | kind, 1);
    add(number, 2);
    add(ticks, 4);
}

/* CRC-16/CCITT-FALSE, four bits at a time. */
static uint32_t crc(void) {
    static const uint16_t nibble[16] = {0x0000, 0x1021, 0x2042, 0x3063, 0x4084, 0x50a5, 0x60c6, 0x70e7,
                                        0x8108, 0x9129, 0xa14a, 0xb16b, 0xc18c, 0xd1ad, 0xe1ce, 0xf1ef};
    uint32_t sum = 0xffff;
    for (uint32_t i = 0; i < length; i++) {
        sum = (sum << 4 ^ nibble[(sum >> 12 ^ body[i] >> 4) & 15]) & 0xffff;
        sum = (sum << 4 ^ nibble[(sum >> 12 ^ body[i]) & 15]) & 0xffff;
    }
    return sum;
}

/* Body and CRC as COBS (no block is ever full), then the delimiter. Returns the bytes on the wire. */
static uint32_t close(uint8_t *wire) {
    const uint32_t sum = crc();
    add(sum >> 8, 1);
    add(sum & 0xff, 1);
    uint32_t code = 0, out = 1;
    for (uint32_t i = 0; i < length; i++, out++) {
        if (body[i]) {
            wire[out] = body[i];
        } else {
            wire[code] = (uint8_t)(out - code);
            code = out;
        }
    }
    wire[code] = (uint8_t)(out - code);
    wire[out++] = 0;
    return out;
}

uint32_t frame_plain(uint8_t *wire, uint32_t number, uint32_t kind, uint32_t ticks) {
    head(number, kind, ticks);
    add(TICK_NS, 4);
    return close(wire);
}

static void add_note(uint32_t word) {
    const uint32_t kind = word & 0xff;
    add(kind, 1);
    if (kind == NOTE_CARD) {
        add(2 + 2 * port_count, 1);
        add(FIRMWARE_MINOR, 1);
        add(FIRMWARE_MAJOR, 1);
        for (uint32_t i = 0; i < port_count; i++) {
            add(ports[i], 2);
        }
    } else if (kind == NOTE_POWER) {
        add(1, 1);
        add(word >> 8, 1);
    } else {
        add(0, 1);
    }
}

/* A note has a frame of its own; any other frame takes as many entries as fit. */
uint32_t frame_codes(uint8_t *wire, uint32_t *number) {
    const struct entry *one = queue_at(*number);
    uint32_t stamp = one->stamp, port = NO_PORT;
    head(*number, 0, stamp);
    for (; one; one = queue_at(*number)) {
        const uint32_t distance = one->stamp - stamp, word = one->word;
        uint32_t flags = WORD_FLAGS(word) | (distance ? F_DISTANCE : 0);
        if (!(flags & F_NO_CODE) && WORD_PORT(word) != port) {
            flags |= F_PORT;
        }
        if (length > HEAD && (flags & F_NOTE || distance > 0xffff || length + ENTRY_MOST > BODY_MOST)) {
            break;
        }
        add(flags, 1);
        add(distance, flags & F_DISTANCE ? 2 : 0);
        add(word, flags & F_LOST ? 2 : 0);
        if (flags & F_PORT) {
            port = WORD_PORT(word);
            add(port, 2);
        }
        add(word, flags & F_NO_CODE ? 0 : 1);
        stamp = one->stamp;
        ++*number;
        if (flags & F_NOTE) {
            add_note(word);
            break;
        }
    }
    return close(wire);
}
