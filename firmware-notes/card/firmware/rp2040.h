/* Registers of the RP2040 that the card uses, by the names of its datasheet (chapters in brackets). */
#ifndef RP2040_H
#define RP2040_H

#include <stdint.h>

#define REG(address) (*(volatile uint32_t *)(address))
#define SET 0x2000 /* aliases of most peripherals: writing there sets or clears bits [2.1.2] */
#define CLEAR 0x3000

#define CLOCKS 0x40008000 /* [2.15] */
#define CLK_REF_CTRL 0x30
#define CLK_REF_SELECTED 0x38
#define CLK_SYS_CTRL 0x3c
#define CLK_SYS_SELECTED 0x44
#define CLK_PERI_CTRL 0x48
#define CLK_USB_CTRL 0x54
#define CLK_ENABLE (1u << 11)

#define RESETS 0x4000c000 /* [2.14] */
#define RESET_DONE 0x08
#define R_DMA (1u << 2)
#define R_IO_BANK0 (1u << 5)
#define R_PADS_BANK0 (1u << 8)
#define R_PIO0 (1u << 10)
#define R_PIO1 (1u << 11)
#define R_PLL_SYS (1u << 12)
#define R_PLL_USB (1u << 13)
#define R_TIMER (1u << 21)
#define R_UART0 (1u << 22)
#define R_USB (1u << 24)

#define IO_CTRL(pin) REG(0x40014004 + 8 * (pin)) /* [2.19] */
#define FUNCTION_UART 2
#define FUNCTION_SIO 5
#define PAD(pin) REG(0x4001c004 + 4 * (pin))
#define PAD_SCHMITT (1u << 1)
#define PAD_PULL_DOWN (1u << 2)
#define PAD_PULL_UP (1u << 3)
#define PAD_INPUT (1u << 6)
#define PAD_NO_OUTPUT (1u << 7)
#define GPIO_IN REG(0xd0000004) /* [2.3.1] */

#define XOSC 0x40024000 /* [2.16] */
#define XOSC_STATUS 0x04
#define XOSC_STARTUP 0x0c
#define PLL_SYS 0x40028000 /* [2.18] */
#define PLL_USB 0x4002c000
#define PLL_PWR 0x04
#define PLL_FBDIV 0x08
#define PLL_PRIM 0x0c

#define BUS_PRIORITY REG(0x40030000) /* [2.1.1.1] */
#define WATCHDOG_TICK REG(0x4005802c) /* [4.7] */
#define TIMERAWL_ADDRESS 0x40054028 /* [4.6]: microseconds, the low 32 bits */
#define NOW REG(TIMERAWL_ADDRESS)

#define UART0 0x40034000 /* [4.2] */
#define UART_DR REG(UART0 + 0x00)
#define UART_FR REG(UART0 + 0x18)
#define UART_FULL (1u << 5)
#define UART_EMPTY (1u << 7) /* but for the byte that is being sent */
#define UART_IBRD REG(UART0 + 0x24)
#define UART_FBRD REG(UART0 + 0x28)
#define UART_LCR_H REG(UART0 + 0x2c)
#define UART_CR REG(UART0 + 0x30)

#define DMA(channel, offset) REG(0x50000000 + 0x40 * (channel) + (offset)) /* [2.5] */
#define DMA_READ 0x00
#define DMA_WRITE 0x04
#define DMA_COUNT 0x08
#define DMA_CTRL_TRIGGER 0x0c
#define DMA_CTRL 0x10
#define DMA_ENABLE (1u << 0)
#define DMA_PRIORITY (1u << 1)
#define DMA_WORDS (2u << 2)
#define DMA_WRITE_ON (1u << 5)
#define DMA_WRITE_RING(bits) ((bits) << 6 | 1u << 10)
#define DMA_CHAIN(channel) ((uint32_t)(channel) << 11)
#define DMA_PACED_BY(dreq) ((uint32_t)(dreq) << 15)
#define DMA_QUIET (1u << 21)
#define DREQ_PIO0_RX0 4
#define DREQ_PIO1_RX0 12
#define DREQ_NONE 0x3f

#define PIO0 0x50200000 /* [3.7] */
#define PIO1 0x50300000
#define PIO_FDEBUG 0x08
#define PIO_RXF0 0x20
#define PIO_CODE 0x48
#define PIO_EXECCTRL 0xcc
#define PIO_SHIFTCTRL 0xd0
#define PIO_INSTR 0xd8
#define PIO_PINCTRL 0xdc

/* Instructions of the state machines [3.4]. */
#define P_JMP(to) (0x0000 | (to))
#define P_JMP_X_NOT_Y(to) (0x00a0 | (to))
#define P_JMP_PIN(to) (0x00c0 | (to))
#define P_WAIT_HIGH(gpio) (0x2080 | (gpio))
#define P_WAIT_LOW(gpio) (0x2000 | (gpio))
#define P_IN_PINS(count) (0x4000 | (count))
#define P_PUSH 0x8000 /* does not wait: where the FIFO is full the word is dropped, and FDEBUG tells */
#define P_SET_X(value) (0xe020 | (value))
#define P_MOV(to, from) (0xa000 | (to) << 5 | (from))
#define M_PINS 0
#define M_X 1
#define M_Y 2
#define M_NULL 3 /* as a source */
#define M_ISR 6
#define M_OSR 7

#endif
