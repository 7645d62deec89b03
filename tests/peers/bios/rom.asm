; An adapter's option ROM of our own: says that it is ready by INT 14h (so that it runs under any BIOS) and returns.
; The length is fixed at assembly; the last byte is the checksum, sealed afterwards. Header: see bios.asm.

%ifndef ROM_BLOCKS
%define ROM_BLOCKS 4                ; 512-byte blocks
%endif
%ifndef ROM_TEXT
%define ROM_TEXT "storage rom ready"
%endif
%ifndef ROM_CODE
%define ROM_CODE -1                 ; a code the ROM writes to port 80h on entry
%endif
%ifndef ROM_MS
%define ROM_MS 20                   ; time spent looking for drives (INT 15h, AH = 86h)
%endif
%ifndef ROM_HANG
%define ROM_HANG 0                  ; 0 returns; 1 never returns, cli and hlt; 2 never returns, jmp $
%endif

cpu 486
bits 16
org 0

    db 0x55, 0xAA, ROM_BLOCKS
    jmp near entry
    times 0x40 - ($ - $$) db 0

entry:
    pushad
    push ds
    push cs
    pop ds
    cld
%if ROM_CODE >= 0
    mov al, ROM_CODE
    out 0x80, al
%endif
%if ROM_HANG == 1
.halt:
    cli
    hlt
    jmp .halt
%elif ROM_HANG == 2
    jmp $
%endif
%if ROM_MS
    mov ah, 0x86
    mov cx, (ROM_MS * 1000) >> 16
    mov dx, (ROM_MS * 1000) & 0xFFFF
    int 0x15
%endif
    mov si, text
.next:
    lodsb
    test al, al
    jz .done
    mov ah, 1
    xor dx, dx
    int 0x14
    jmp .next
.done:
    pop ds
    popad
    retf

text db ROM_TEXT, 13, 10, 0

    times ROM_BLOCKS * 512 - 1 - ($ - $$) db 0xFF
    db 0                            ; the checksum goes here
