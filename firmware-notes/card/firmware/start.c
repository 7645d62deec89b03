/* The first steps, in flash: clocks, the copy to RAM, main. */
#include "rp2040.h"

#define FLASH __attribute__((section(".flash"), noinline))

extern uint32_t stack_top[], data_start[], data_end[], data_load[], bss_start[], bss_end[];
int main(void);
void reset(void);

static void stop(void);
__attribute__((section(".vectors"), used)) static const void *const vectors[16] = {
    stack_top, reset, stop, stop, stop, stop, stop, stop, stop, stop, stop, stop, stop, stop, stop, stop,
};

FLASH static void stop(void) {
    for (;;) {
    }
}

/* A PLL from the 12 MHz crystal: times `multiply`, through two dividers [2.18.2]. */
FLASH static void pll(uint32_t base, uint32_t multiply, uint32_t dividers) {
    REG(base) = 1;
    REG(base + PLL_FBDIV) = multiply;
    REG(base + PLL_PWR + CLEAR) = 0x21; /* power to the loop and its oscillator */
    while (!(REG(base) >> 31)) {
    }
    REG(base + PLL_PRIM) = dividers;
    REG(base + PLL_PWR + CLEAR) = 0x08; /* power to the dividers */
}

/* 125 MHz for the cores, the state machines and the UART; 48 MHz for USB; 1 us steps for the timer. */
FLASH static void clocks(void) {
    const uint32_t blocks = R_DMA | R_IO_BANK0 | R_PADS_BANK0 | R_PIO0 | R_PIO1 | R_PLL_SYS | R_PLL_USB | R_TIMER |
                            R_UART0 | R_USB;
    REG(XOSC + XOSC_STARTUP) = 47; /* 1 ms */
    REG(XOSC) = 0xfabaa0;
    while (!(REG(XOSC + XOSC_STATUS) >> 31)) {
    }
    REG(CLOCKS + CLK_SYS_CTRL + CLEAR) = 1;
    while (!(REG(CLOCKS + CLK_SYS_SELECTED) & 1)) {
    }
    REG(CLOCKS + CLK_REF_CTRL) = 2; /* the crystal */
    while (!(REG(CLOCKS + CLK_REF_SELECTED) & 4)) {
    }
    REG(RESETS + SET) = blocks;
    REG(RESETS + CLEAR) = blocks;
    while ((REG(RESETS + RESET_DONE) & blocks) != blocks) {
    }
    pll(PLL_SYS, 125, 6 << 16 | 2 << 12);
    pll(PLL_USB, 100, 5 << 16 | 5 << 12);
    REG(CLOCKS + CLK_SYS_CTRL) = 0;
    REG(CLOCKS + CLK_SYS_CTRL + SET) = 1;
    while (!(REG(CLOCKS + CLK_SYS_SELECTED) & 2)) {
    }
    REG(CLOCKS + CLK_PERI_CTRL) = CLK_ENABLE;
    REG(CLOCKS + CLK_USB_CTRL) = CLK_ENABLE;
    WATCHDOG_TICK = 1u << 9 | 12;
}

FLASH __attribute__((noreturn)) void reset(void) {
    clocks();
    const uint32_t *from = data_load;
    for (uint32_t *to = data_start; to < data_end;) {
        *to++ = *from++;
    }
    for (uint32_t *to = bss_start; to < bss_end;) {
        *to++ = 0;
    }
    main();
    for (;;) {
    }
}
