/* GPIO numbers; the same table as ../pins.toml (the tests hold the two together). */
#ifndef PINS_H
#define PINS_H

#define PIN_D0 0  /* d0 to d7: 0 to 7 */
#define PIN_A0 8  /* a0 to a9: 8 to 17 */
#define PIN_AEN 18
#define PIN_IOW 19
#define PIN_RESET 20
#define PIN_POWER 21
#define PIN_JUMPER0 22
#define PIN_JUMPER1 26
#define PIN_UART_TX 28

#endif
