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

static uint8_t body[BODY_MOST + 2];
static uint32_t length;

static void add(uint32_t value, uint32_t bytes) {
    for (; bytes; bytes--, value >>= 8) {
        body[length++] = (uint8_t)value;
    }
}

static void head(uint32_t kind, uint32_t ticks) {
    length = 0;
    add(VERSION | kind, 1);
    add(queue_number(), 2);
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

uint32_t frame_plain(uint8_t *wire, uint32_t kind, uint32_t ticks) {
    head(kind, ticks);
    add(TICK_NS, 4);
    return close(wire);
}

static void add_note(const struct entry *one) {
    add(one->code, 1);
    if (one->code == NOTE_CARD) {
        add(2 + 2 * port_count, 1);
        add(FIRMWARE_MINOR, 1);
        add(FIRMWARE_MAJOR, 1);
        for (uint32_t i = 0; i < port_count; i++) {
            add(ports[i], 2);
        }
    } else if (one->code == NOTE_POWER) {
        add(1, 1);
        add(one->port, 1);
    } else {
        add(0, 1);
    }
}

uint32_t frame_codes(uint8_t *wire) {
    const struct entry *one = queue_first();
    uint32_t stamp = one->stamp, port = NO_PORT;
    head(0, stamp);
    for (; one; one = queue_first()) {
        const uint32_t distance = one->stamp - stamp;
        uint32_t flags = one->flags, size = 1;
        if (length > HEAD && (flags & F_NOTE || distance > 0xffff)) {
            break; /* a note has a frame of its own */
        }
        flags |= (distance ? F_DISTANCE : 0) | (one->lost ? F_LOST : 0);
        if (!(flags & F_NO_CODE)) {
            flags |= one->port != port ? F_PORT : 0;
            size++;
        }
        size += (flags & F_DISTANCE ? 2 : 0) + (flags & F_LOST ? 2 : 0) + (flags & F_PORT ? 2 : 0);
        if (length + size > BODY_MOST) {
            break;
        }
        add(flags, 1);
        add(distance, flags & F_DISTANCE ? 2 : 0);
        add(one->lost, flags & F_LOST ? 2 : 0);
        add(one->port, flags & F_PORT ? 2 : 0);
        add(one->code, flags & F_NO_CODE ? 0 : 1);
        stamp = one->stamp;
        port = flags & F_PORT ? one->port : port;
        if (flags & F_NOTE) {
            add_note(one);
        }
        queue_take();
        if (flags & F_NOTE) {
            break;
        }
    }
    return close(wire);
}
