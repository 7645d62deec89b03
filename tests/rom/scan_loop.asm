; An option-ROM scan of our own, run in an emulated CPU to check the predicted one.
;
; It tells what it does on three word ports: 300h a slot is looked at, 302h a header is there, 304h the ROM
; is about to be called (the word is the segment). ROMs that run write their own code to port 80h.
; The harness may set `skip` to 1 on 304h: then the call is left out (code damaged by contention must not run).
;
; Set with -D: UNITS (step in 512-byte blocks), CHECK, ZERO64, SUM16, ADVANCE16, ROUND, ROUND8, GOODSTEP,
; BADSTEP, BADBOTH, WRAPS (0 or 1 each).

        cpu 8086
        bits 16
        org 0

start:  mov     ax, cs
        mov     ss, ax
        mov     sp, 0xF000
        mov     bp, passes
pass:   mov     bx, [cs:bp]             ; first segment; 0 ends the table
        or      bx, bx
        jz      done
slot:   mov     dx, 0x300
        mov     ax, bx
        out     dx, ax
        mov     es, bx
        cmp     word [es:0], 0xAA55
        jne     .none
        mov     dx, 0x302
        mov     ax, bx
        out     dx, ax
        cmp     word [cs:bp+4], 0       ; block: 64 KiB summed, length byte unused
        jne     .whole
        mov     al, [es:2]
        or      al, al
        jnz     .sized
%if ZERO64
        jmp     .whole
%else
        jmp     .none
%endif
.sized:
%if SUM16
        mov     ch, al                  ; byte count in 16 bits: 80h blocks and more wrap
        xor     cl, cl
        shl     cx, 1
        call    near sum_one_segment
%else
        xor     ah, ah
        call    near sum_blocks
%endif
        jmp     .summed
.whole: mov     ax, 128
        call    near sum_blocks
.summed:
%if CHECK
        or      dl, dl
        jnz     .bad
%endif
        mov     dx, 0x304
        mov     ax, bx
        out     dx, ax
        cmp     byte [cs:skip], 0
        jne     .called
        push    bx
        push    bp
        push    cs
        mov     ax, .back
        push    ax
        push    bx
        mov     ax, 3
        push    ax
        retf                            ; a far call to segment:0003
.back:  pop     bp
        pop     bx
.called:
        mov     byte [cs:skip], 0
        mov     es, bx
        cmp     word [cs:bp+4], 0
        jne     .block
        cmp     word [cs:bp+6], 0       ; the first good one ends this sweep
        jne     .end
%if GOODSTEP
        jmp     .step
%else
        call    near length
        jmp     .advance
%endif
.bad:   cmp     word [cs:bp+4], 0
        jne     .block
%if BADSTEP
        jmp     .step
%else
        call    near length
%if BADBOTH
        add     ax, UNITS
%endif
        jmp     .advance
%endif
.none:  cmp     word [cs:bp+4], 0
        jne     .block
.step:  mov     ax, UNITS
.advance:
        mov     cl, 5                   ; 512 bytes are 20h paragraphs
        shl     ax, cl
        add     bx, ax
%if WRAPS == 0
        jc      .end                    ; past the first megabyte
%endif
        cmp     bx, [cs:bp+2]
        jbe     slot
.end:   add     bp, 8
        jmp     pass
.block: jmp     .end

done:   mov     dx, 0x306
        out     dx, ax
stay:   jmp     stay

length:                                 ; blocks to go on by -> ax
        mov     al, [es:2]
        xor     ah, ah
%if ADVANCE16
        and     al, 0x7F                ; of the byte count 16 bits are kept: 80h blocks are none
%endif
%if ROUND && ROUND8
        mov     al, [es:2]
        add     al, UNITS - 1           ; in eight bits: FDh and more come out as 00h
        and     al, (256 - UNITS) & 0xFF
%elif ROUND
        add     ax, UNITS - 1
        and     ax, -UNITS
%endif
        ret

sum_blocks:                             ; ax blocks from bx:0 -> dl
        push    ds
        push    bx
        xor     dl, dl
        mov     di, ax
.block: mov     ds, bx
        xor     si, si
        mov     cx, 512
.byte:  lodsb
        add     dl, al
        loop    .byte
        add     bx, 0x20
        dec     di
        jnz     .block
        pop     bx
        pop     ds
        ret

sum_one_segment:                        ; cx bytes from bx:0, 0 meaning 65536 -> dl
        push    ds
        mov     ds, bx
        xor     si, si
        xor     dl, dl
.byte:  lodsb
        add     dl, al
        loop    .byte
        pop     ds
        ret

skip:   db      0
passes:                                 ; the harness appends: first, last segment, block, first only; then 0
