; Three scans of the 8088 class, written from their published descriptions (firmware-notes/option-rom.md, presets
; 8088-first, 8088-turbo and 8088-open), run in an emulated CPU to check the predicted ones. They share nothing with
; scan_loop.asm but the way they tell what they do: word ports 300h a slot is looked at, 302h a header is there, 304h
; the ROM is about to be called (the word is the segment), 306h the end. The harness may set `skip` to 1 on 304h.
;
; Set with -D: FIRST, TURBO or OPEN.

        cpu 8086
        bits 16
        org 0

%macro tell 2                           ; port, register
        push    ax
        push    dx
        mov     ax, %2
        mov     dx, %1
        out     dx, ax
        pop     dx
        pop     ax
%endmacro

start:  mov     ax, cs
        mov     ss, ax
        mov     sp, 0xF000

%ifdef OPEN
        mov     dx, 0xC000              ; the display adapter's ROM: the first good one alone
        mov     bp, 0xC800
        call    near seek
        jc      .others
        call    near run
.others:
        mov     dx, 0xC800
        mov     bp, 0xF800
.more:  call    near seek
        jc      finish
        call    near run
        jmp     .more

seek:                                   ; from dx up to bp: carry clear and ds at a good ROM, dx behind it
        mov     ds, dx
        tell    0x300, ds
        cmp     word [0], 0xAA55
        jne     .on
        tell    0x302, ds
        mov     al, [2]
        cbw
        and     ax, 0x00FF
        mov     cl, 5
        shl     ax, cl                  ; blocks to paragraphs
        add     dx, ax                  ; first the address, up to a whole 2 KiB ...
        add     dx, 0x7F
        and     dx, 0xFF80
        mov     cl, 4
        shl     ax, cl                  ; ... then the bytes to be summed, in 16 bits
        call    near sum
        jz      .good
.on:    add     dx, 0x80
        cmp     dx, bp
        jb      seek
        stc
        ret
.good:  clc
        ret
%else

%ifdef FIRST
LOWEST  equ     0xC800
END     equ     0xF400
%else
LOWEST  equ     0xC000
END     equ     0xFE00
%endif
        mov     dx, LOWEST
slot:   mov     ds, dx
        tell    0x300, ds
        cmp     word [0], 0xAA55
        jne     on
        tell    0x302, ds
        xor     ax, ax
        mov     ah, [2]
        shl     ax, 1                   ; blocks * 512, of which 16 bits are kept
%ifdef FIRST
        mov     bx, ax
        mov     cl, 4
        shr     bx, cl                  ; and by these the address goes on, whatever the sum will be
%else
        xor     bx, bx
        mov     bl, [2]
        mov     cl, 5
        shl     bx, cl                  ; the address goes on by the whole length
%endif
        add     dx, bx
        call    near sum
%ifdef FIRST
        jnz     next
%else
        jnz     on
%endif
        call    near run
        jmp     next
on:     add     dx, 0x80
next:   cmp     dx, END
        jl      slot                    ; signed: past the first megabyte is not below
        jmp     finish
%endif

sum:                                    ; ax bytes (0: 65,536) from ds:0; zero flag: they sum to 00h
        mov     cx, ax
        xor     si, si
        xor     al, al
.byte:  add     al, [si]
        inc     si
        loop    .byte
        or      al, al
        ret

run:                                    ; far call to ds:0003, which keeps nothing but the stack
        tell    0x304, ds
        cmp     byte [cs:skip], 0
        mov     byte [cs:skip], 0
        jne     .left
        push    dx
        push    bp
        push    cs
        mov     ax, .back
        push    ax
        push    ds
        mov     ax, 3
        push    ax
        retf
.back:  pop     bp
        pop     dx
.left:  ret

finish: mov     dx, 0x306
        out     dx, ax
stay:   jmp     stay

skip:   db      0
