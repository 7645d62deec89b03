/* USB device [4.1]: full speed, one configuration, a serial port. What the host sends on it is passed over. */
#include "usb.h"

#include "rp2040.h"

#define DPRAM 0x50100000
#define SETUP ((volatile uint8_t *)DPRAM)
#define CONTROL(endpoint) REG(DPRAM + 8 * (endpoint)) /* of its IN side; OUT stands 4 behind */
#define BUFFER_IN(endpoint) REG(DPRAM + 0x80 + 8 * (endpoint))
#define BUFFER_OUT(endpoint) REG(DPRAM + 0x84 + 8 * (endpoint))
#define B_FULL (1u << 15)
#define B_DATA1 (1u << 13)
#define B_STALL (1u << 11)
#define B_AVAILABLE (1u << 10)
#define B_LENGTH 0x3ff
#define E_ENABLE (1u << 31 | 1u << 29) /* and a status bit after each buffer */
#define E_BULK (2u << 26)
#define E_INTERRUPT (3u << 26)

#define USB 0x50110000
#define ADDRESS REG(USB + 0x00)
#define MAIN_CTRL REG(USB + 0x40)
#define SIE_CTRL REG(USB + 0x4c)
#define SIE_STATUS REG(USB + 0x50)
#define S_SUSPENDED (1u << 4)
#define S_SETUP (1u << 17)
#define S_RESET (1u << 19)
#define BUFF_STATUS REG(USB + 0x58)
#define STALL_ARM REG(USB + 0x68)
#define MUXING REG(USB + 0x74)
#define POWER REG(USB + 0x78)

#define EP0_BYTES ((volatile uint8_t *)(DPRAM + 0x100))
#define NOTICE_AT 0x180
#define IN_AT 0x1c0
#define OUT_AT 0x200
#define PACKET 64
#define DATA_MOST (PACKET - 1) /* every packet is a short one: the host then hands its bytes on at once */
#define NOTICE 1               /* endpoints */
#define DATA 2

#define WORD(value) (value) & 0xff, (value) >> 8
static const uint8_t device[] = {
    18, 1, WORD(0x200), 2, 0, 0, PACKET, WORD(0x1209), WORD(0x0001), WORD(0x100), 1, 2, 0, 1,
};
#define CONFIGURATION_BYTES (9 + 9 + 5 + 5 + 4 + 5 + 7 + 9 + 7 + 7)
static const uint8_t configuration[] = {
    9, 2, WORD(CONFIGURATION_BYTES), 2, 1, 0, 0x80, 50, /* fed by the host, 100 mA */
    9, 4, 0, 0, 1, 2, 2, 0, 0,                          /* communication, abstract control model */
    5, 0x24, 0, WORD(0x110), 5, 0x24, 1, 0, 1, 4, 0x24, 2, 2, 5, 0x24, 6, 0, 1,
    7, 5, 0x80 | NOTICE, 3, WORD(8), 255,
    9, 4, 1, 0, 2, 10, 0, 0, 0, /* data */
    7, 5, 0x80 | DATA, 2, WORD(PACKET), 0, 7, 5, DATA, 2, WORD(PACKET), 0,
};
_Static_assert(sizeof configuration == CONFIGURATION_BYTES, "the length that the descriptor tells");
static const char *const strings[] = {0, "self-built", "POST-code card, bench frames"};

static uint8_t answer[80], line_coding[7] = {WORD(0xc200), 1, 0, 0, 0, 8}; /* 115,200 8N1, as told by the host */
static const uint8_t *in_bytes;
static uint32_t in_left, in_data1, new_address, configured, terminal, sent_data1, sending;
static int taking_coding;

/* Hand a buffer over: the flag that does it is set some clocks after the rest [4.1.2.5.1]. */
static void give(volatile uint32_t *control, uint32_t value) {
    *control = value;
    __asm volatile("nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop");
    *control = value | B_AVAILABLE;
}

static void control_in(void) {
    const uint32_t count = in_left < PACKET ? in_left : PACKET;
    for (uint32_t i = 0; i < count; i++) {
        EP0_BYTES[i] = *in_bytes++;
    }
    in_left -= count;
    give(&BUFFER_IN(0), count | B_FULL | (in_data1 ? B_DATA1 : 0));
    in_data1 ^= 1;
}

static void control_out(void) { give(&BUFFER_OUT(0), PACKET | B_DATA1); }

static void answer_with(const uint8_t *bytes, uint32_t count, uint32_t wanted) {
    in_bytes = bytes;
    in_left = count < wanted ? count : wanted;
    in_data1 = 1;
    control_in();
    control_out(); /* the host's empty packet that ends it */
}

static void agree(void) {
    in_left = 0;
    in_data1 = 1;
    control_in();
}

static void refuse(void) {
    STALL_ARM = 3;
    BUFFER_IN(0) = B_STALL;
    BUFFER_OUT(0) = B_STALL;
}

static void string(uint32_t number, uint32_t wanted) {
    uint32_t count = 2;
    if (number == 0) {
        answer[count++] = 0x09; /* English */
        answer[count++] = 0x04;
    } else {
        for (const char *at = strings[number]; *at; at++) {
            answer[count++] = (uint8_t)*at;
            answer[count++] = 0;
        }
    }
    answer[0] = (uint8_t)count;
    answer[1] = 3;
    answer_with(answer, count, wanted);
}

static void configure(uint32_t number) {
    configured = number;
    terminal = sending = sent_data1 = 0;
    CONTROL(NOTICE) = E_ENABLE | E_INTERRUPT | NOTICE_AT;
    CONTROL(DATA) = E_ENABLE | E_BULK | IN_AT;
    REG(DPRAM + 8 * DATA + 4) = E_ENABLE | E_BULK | OUT_AT;
    BUFFER_IN(DATA) = 0;
    give(&BUFFER_OUT(DATA), PACKET);
}

static void setup(void) {
    const uint32_t what = SETUP[0] << 8 | SETUP[1], value = SETUP[2] | SETUP[3] << 8, wanted = SETUP[6] | SETUP[7] << 8;
    taking_coding = 0;
    BUFFER_IN(0) = BUFFER_OUT(0) = 0;
    switch (what) {
    case 0x8006: /* get descriptor */
        if (value == 0x0100) {
            answer_with(device, sizeof device, wanted);
        } else if (value == 0x0200) {
            answer_with(configuration, sizeof configuration, wanted);
        } else if (value >> 8 == 3 && (value & 0xff) < sizeof strings / sizeof *strings) {
            string(value & 0xff, wanted);
        } else {
            refuse();
        }
        break;
    case 0x0005: /* set address: counts after the answer */
        new_address = value & 0x7f;
        agree();
        break;
    case 0x0009: /* set configuration */
        configure(value & 0xff);
        agree();
        break;
    case 0x8008: /* get configuration */
        answer[0] = (uint8_t)configured;
        answer_with(answer, 1, wanted);
        break;
    case 0x8000: /* get status, of device, interface, endpoint */
    case 0x8100:
    case 0x8200:
        answer[0] = answer[1] = 0;
        answer_with(answer, 2, wanted);
        break;
    case 0x2120: /* set line coding: kept, and of no effect */
        taking_coding = 1;
        control_out();
        break;
    case 0xa121: /* get line coding */
        answer_with(line_coding, sizeof line_coding, wanted);
        break;
    case 0x2122: /* set control line state: bit 0 is DTR */
        terminal = value & 1;
        agree();
        break;
    case 0x0201: /* clear halt: the endpoint begins with DATA0 again */
        if (SETUP[4] == (0x80 | DATA)) {
            sent_data1 = 0;
        }
        agree();
        break;
    case 0x010b: /* set interface: there is one of each */
        agree();
        break;
    default:
        refuse();
    }
}

static void buffers(uint32_t done) {
    BUFF_STATUS = done;
    if (done & 1) {
        if (new_address) {
            ADDRESS = new_address;
            new_address = 0;
        } else if (in_left) {
            control_in();
        }
    }
    if (done & 2 && taking_coding) {
        for (uint32_t i = 0; i < sizeof line_coding; i++) {
            line_coding[i] = EP0_BYTES[i];
        }
        taking_coding = 0;
        agree();
    }
    if (done & 1u << 2 * DATA) {
        sending = 0;
    }
    if (done & 2u << 2 * DATA) {
        give(&BUFFER_OUT(DATA), PACKET | (BUFFER_OUT(DATA) & B_DATA1 ? 0 : B_DATA1));
    }
}

void usb_start(void) {
    for (uint32_t at = 0; at < 0x240; at += 4) {
        REG(DPRAM + at) = 0;
    }
    MUXING = 1u << 3 | 1u << 0; /* the controller to the board's own transceiver */
    POWER = 1u << 3 | 1u << 2;  /* no pin tells of the host's 5 V: it is taken as there */
    MAIN_CTRL = 1;
    SIE_CTRL = 1u << 29 | 1u << 16; /* a status bit after each buffer of endpoint 0; the pull-up that shows the device */
}

void usb_look(void) {
    const uint32_t status = SIE_STATUS;
    if (status & S_RESET) {
        SIE_STATUS = S_RESET;
        ADDRESS = 0;
        new_address = configured = terminal = sending = 0;
    }
    const uint32_t done = BUFF_STATUS;
    if (done) {
        buffers(done);
    }
    if (status & S_SETUP) {
        SIE_STATUS = S_SETUP;
        setup();
    }
}

int usb_open(void) { return configured && terminal && !(SIE_STATUS & S_SUSPENDED); }

uint32_t usb_send(const uint8_t *bytes, uint32_t count) {
    if (sending) {
        return 0;
    }
    volatile uint8_t *to = (volatile uint8_t *)(DPRAM + IN_AT);
    count = count < DATA_MOST ? count : DATA_MOST;
    for (uint32_t i = 0; i < count; i++) {
        to[i] = bytes[i];
    }
    sending = 1;
    give(&BUFFER_IN(DATA), count | B_FULL | (sent_data1 ? B_DATA1 : 0));
    sent_data1 ^= 1;
    return count;
}
