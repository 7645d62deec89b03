; A small BIOS of our own for an emulated ISA PC: POST codes on port 80h, text on COM1, delays by the 8254.
; 64 KiB image at F0000h, reset vector at FFFF0h. Parameters are set at assembly with -D; these are the defaults.
;
; Sources: Intel 8254 and 8259A datasheets (one-shot mode 0, ICW1-ICW4), National PC16550D datasheet (line control,
; line status), Intel 486 manual (first instruction at FFFFFFF0h), option-ROM header 55h AAh, length in 512-byte
; blocks, bytes summing to 0, entered by far call at offset 3: Plug and Play BIOS Specification 1.0A, section 3.2.

%ifndef STEP_MS
%define STEP_MS 10          ; time spent after every code
%endif
%ifndef COUNT_MS
%define COUNT_MS 10         ; time spent for every step of the memory counter
%endif
%ifndef COUNT_STEP_KB
%define COUNT_STEP_KB 64    ; the counter goes up to ten times this: 640
%endif
%ifndef HANG_AT
%define HANG_AT -1          ; stop for good after this code
%endif
%ifndef HANG_HALTED
%define HANG_HALTED 1       ; 1: cli and hlt; 0: jmp $ (burns a host core)
%endif
%ifndef RESET_AT
%define RESET_AT -1         ; reset the machine after this code
%endif
%ifndef RESET_HOW
%define RESET_HOW 0         ; 0 keyboard controller, 1 port 92h, 2 triple fault, 3 far jump to the reset vector
%endif
%ifndef RESET_TIMES
%define RESET_TIMES 0       ; stop resetting after so many resets; 0: never stop
%endif
%ifndef SLOW_AT
%define SLOW_AT -1          ; spend SLOW_MS more after this code, then go on
%endif
%ifndef SLOW_MS
%define SLOW_MS 0
%endif
%ifndef SILENT
%define SILENT 0            ; 1: the processor halts before any code
%endif
%ifndef SPURIOUS_FF
%define SPURIOUS_FF 0       ; so many FFh writes after every code
%endif
%ifndef WORD_HIGH
%define WORD_HIGH -1        ; 0..FFh: every code is written by OUT 80h,AX with this high byte
%endif
%ifndef SECOND_PORT
%define SECOND_PORT 0       ; another port that gets every code plus 80h
%endif
%ifndef UNFINISHED_LINE
%define UNFINISHED_LINE 0   ; 1: the scan begins with a line that is not ended before a ROM prints
%endif
%ifndef TELL_BAD_ROM
%define TELL_BAD_ROM 0      ; 1: a ROM with a wrong checksum is reported on COM1
%endif
%ifndef MEMORY_KB
%define MEMORY_KB 0         ; written as the memory size into the BIOS data; 0: nothing is written
%endif

TICK_FLAG    equ 0x500      ; scratch in the first RAM page
ROM_ENTRY    equ 0x504
RESET_COUNT  equ 0x508
RESET_MAGIC  equ 0x50C
COM1         equ 0x3F8

cpu 486
bits 16
org 0

%macro post 1
    mov al, %1
    call post_code
%endmacro

%macro say 1
    mov si, %1
    call print
%endmacro

start:
    cli
    cld
%if SILENT
    jmp halt
%endif
    xor ax, ax
    mov ds, ax
    mov ss, ax
    mov sp, 0x7C00
    call set_up_chips
%if MEMORY_KB
    mov word [0x413], MEMORY_KB
%endif
    sti

    post 0x01
    post 0x03
    post 0x05
    post 0x08
    say text_name
    post 0x10

    mov bx, 0x20            ; memory: codes 20h-24h, two counter steps each
    xor ecx, ecx
.memory:
    mov al, bl
    call post_code
    mov di, 2
.count:
    add cx, COUNT_STEP_KB
    mov al, 13
    call putc
    movzx eax, cx
    call print_number
    say text_ok
    mov eax, COUNT_MS
    call delay_ms
    dec di
    jnz .count
    inc bx
    cmp bx, 0x25
    jb .memory
    say text_end

    post 0x30
%if UNFINISHED_LINE
    say text_scan
%endif
    post 0x40
    call scan_roms
    mov eax, STEP_MS        ; the two links have no common order: leave time between text and code
    call delay_ms
    post 0x4F
    post 0x60
    say text_start
halt_alive:
    sti
    hlt
    jmp halt_alive

post_code:                  ; AL = code; keeps every register
    pushad
%if WORD_HIGH >= 0
    mov ah, WORD_HIGH
    out 0x80, ax
%else
    out 0x80, al
%endif
%if SECOND_PORT
    push ax
    add al, 0x80
    mov dx, SECOND_PORT
    out dx, al
    pop ax
%endif
%if SPURIOUS_FF
    push ax
    mov al, 0xFF
%rep SPURIOUS_FF
    out 0x80, al
%endrep
    pop ax
%endif
    movzx ebx, al
    mov eax, STEP_MS
    call delay_ms
%if SLOW_AT >= 0
    cmp bl, SLOW_AT
    jne .not_slow
    mov eax, SLOW_MS
    call delay_ms
.not_slow:
%endif
%if RESET_AT >= 0
    cmp bl, RESET_AT
    jne .no_reset
%if RESET_TIMES
    cmp dword [RESET_MAGIC], 0x52534554     ; RAM keeps its content over a reset
    je .counted
    mov dword [RESET_MAGIC], 0x52534554
    mov dword [RESET_COUNT], 0
.counted:
    cmp dword [RESET_COUNT], RESET_TIMES
    jae .no_reset
    inc dword [RESET_COUNT]
%endif
    jmp reset
.no_reset:
%endif
%if HANG_AT >= 0
    cmp bl, HANG_AT
    je hang
%endif
    popad
    ret

hang:
%if HANG_HALTED
halt:
    cli
    hlt
    jmp halt
%else
    jmp $
halt:
    cli
    hlt
    jmp halt
%endif

reset:
    cli
%if RESET_HOW == 0
.wait:
    in al, 0x64             ; 8042: the input buffer must be empty
    test al, 2
    jnz .wait
    mov al, 0xFE
    out 0x64, al
%elif RESET_HOW == 1
    in al, 0x92
    and al, 0xFE
    out 0x92, al
    or al, 1
    out 0x92, al
%elif RESET_HOW == 2
    lidt [cs:no_vectors]
    int3
%else
    jmp 0xF000:0xFFF0
%endif
    jmp $

scan_roms:                  ; C8000h-DFFFFh in steps of 2 KiB
    mov bx, 0xC800
.next:
    mov es, bx
    mov bp, 0x80            ; paragraphs to the next place to look
    cmp word [es:0], 0xAA55
    jne .step
    movzx ecx, byte [es:2]
    jcxz .step
    mov dx, cx
    shl dx, 5               ; 512-byte blocks to paragraphs
    shl ecx, 9
    xor si, si
    xor al, al
.sum:
    add al, [es:si]
    inc si
    dec ecx
    jnz .sum
    test al, al
    jnz .bad
    mov bp, dx
    add bp, 0x7F
    and bp, 0xFF80
    mov word [ROM_ENTRY], 3
    mov [ROM_ENTRY + 2], es
    pushad
    push ds
    push es
    call far [ROM_ENTRY]
    pop es
    pop ds
    popad
    jmp .step
.bad:
%if TELL_BAD_ROM
    say text_bad
%endif
.step:
    add bx, bp
    cmp bx, 0xE000
    jb .next
    ret

delay_ms:                   ; EAX = milliseconds; 8254 counter 0 as a one-shot, the processor halted meanwhile
    pushad
    imul ebx, eax, 1193     ; 1,193,182 Hz
    mov ecx, 11             ; and 2/11 more of a tick per millisecond
    shl eax, 1
    xor edx, edx
    div ecx
    add ebx, eax
.chunk:
    test ebx, ebx
    jz .done
    mov ecx, ebx
    cmp ecx, 50000
    jbe .shot
    mov ecx, 50000
.shot:
    sub ebx, ecx
    mov byte [TICK_FLAG], 0
    mov al, 0x30            ; counter 0, low then high byte, mode 0
    out 0x43, al
    mov al, cl
    out 0x40, al
    mov al, ch
    out 0x40, al
.sleep:
    cli
    cmp byte [TICK_FLAG], 0
    jne .woken
    sti                     ; takes effect after hlt has begun, so no tick is missed
    hlt
    jmp .sleep
.woken:
    sti
    jmp .chunk
.done:
    popad
    ret

print:                      ; CS:SI = text ended by 0
    push ax
.next:
    mov al, [cs:si]
    inc si
    test al, al
    jz .done
    call putc
    jmp .next
.done:
    pop ax
    ret

print_number:               ; EAX, five digits
    pushad
    mov ebx, 10000
.digit:
    xor edx, edx
    div ebx
    add al, '0'
    call putc
    push edx
    mov eax, ebx
    xor edx, edx
    mov ecx, 10
    div ecx
    mov ebx, eax
    pop eax
    test ebx, ebx
    jnz .digit
    popad
    ret

putc:                       ; AL to COM1, waiting for the transmitter like any BIOS
    push dx
    push ax
    mov dx, COM1 + 5
.wait:
    in al, dx
    test al, 0x20
    jz .wait
    pop ax
    mov dx, COM1
    out dx, al
    pop dx
    ret

set_up_chips:
    xor di, di              ; every vector to a bare iret, then the three that work
    mov es, di
    mov cx, 256
.vector:
    mov ax, int_none
    stosw
    mov ax, cs
    stosw
    loop .vector
    mov word [8 * 4], int_tick
    mov word [0x14 * 4], int_serial
    mov word [0x15 * 4], int_system
    mov al, 0x11            ; 8259A pair: ICW1..ICW4, then only IRQ 0 open
    out 0x20, al
    out 0xA0, al
    mov al, 0x08
    out 0x21, al
    mov al, 0x70
    out 0xA1, al
    mov al, 0x04
    out 0x21, al
    mov al, 0x02
    out 0xA1, al
    mov al, 0x01
    out 0x21, al
    out 0xA1, al
    mov al, 0xFE
    out 0x21, al
    mov al, 0xFF
    out 0xA1, al
    mov dx, COM1 + 1        ; 9600 8N1, DTR and RTS on, no interrupts
    xor al, al
    out dx, al
    mov dx, COM1 + 3
    mov al, 0x80
    out dx, al
    mov dx, COM1
    mov al, 12
    out dx, al
    inc dx
    xor al, al
    out dx, al
    mov dx, COM1 + 3
    mov al, 3
    out dx, al
    inc dx
    out dx, al
    ret

int_tick:
    push ax
    push ds
    xor ax, ax
    mov ds, ax
    mov byte [TICK_FLAG], 1
    mov al, 0x20
    out 0x20, al
    pop ds
    pop ax
int_none:
    iret

int_serial:                 ; INT 14h, AH = 01h: send AL
    sti
    cmp ah, 1
    jne int_none
    call putc
    mov ah, 0x60
    iret

int_system:                 ; INT 15h, AH = 86h: wait CX:DX microseconds
    sti
    cmp ah, 0x86
    jne int_none
    push ds
    pushad
    mov ax, cx
    shl eax, 16
    mov ax, dx
    xor edx, edx
    mov ecx, 1000
    div ecx
    xor bx, bx
    mov ds, bx
    call delay_ms
    popad
    pop ds
    clc
    iret

no_vectors:
    dw 0
    dd 0

text_name   db "test firmware 1", 13, 10, 0
text_ok     db "K OK", 0
text_end    db 13, 10, 0
text_scan   db "adapter roms: ", 0
text_bad    db "adapter rom damaged", 13, 10, 0
text_start  db "Starting system", 13, 10, 0

    times 0xFFF0 - ($ - $$) db 0xFF
    jmp 0xF000:start
    times 0x10000 - ($ - $$) db 0xFF
