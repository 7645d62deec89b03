/* Second stage of the boot: the ROM of the RP2040 copies the first 256 bytes of the flash to 0x20041f00, checks their
   CRC-32 (the last four bytes, put there by build.py) and jumps here [2.8.1.3]. It makes the flash readable at
   0x10000000 with the plain read command 03h, which every SPI flash knows, and starts the program. */
    .syntax unified
    .cpu cortex-m0plus
    .thumb
    .section .boot2, "ax"

#define SSI_CTRLR0 0x00
#define SSI_CTRLR1 0x04
#define SSI_SSIENR 0x08
#define SSI_BAUDR 0x14

    ldr r3, =0x18000000
    movs r1, #0
    str r1, [r3, #SSI_SSIENR]   /* off while it is set up */
    movs r1, #4
    str r1, [r3, #SSI_BAUDR]    /* a quarter of the system clock: 31 MHz */
    ldr r1, =0x001f0300         /* one data line, frames of 32 bits, "EEPROM read": command and address, then data */
    str r1, [r3, #SSI_CTRLR0]
    ldr r1, =0x03000218         /* command 03h, 8 bits of command, 24 of address, all on one line */
    ldr r2, =0x180000f4         /* SPI_CTRLR0 */
    str r1, [r2]
    movs r1, #0
    str r1, [r3, #SSI_CTRLR1]   /* one frame for each read */
    movs r1, #1
    str r1, [r3, #SSI_SSIENR]
    ldr r0, =0x10000100         /* the vector table */
    ldr r1, =0xe000ed08         /* VTOR */
    str r0, [r1]
    ldmia r0, {r0, r1}
    msr msp, r0
    bx r1
    .ltorg
