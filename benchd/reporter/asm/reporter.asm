; The reporter: tells over a UART what the processor reads in the first megabyte. One source, three wrappers:
; WRAPPER is ROM (an option ROM), FLOPPY (boot sector and program) or COM (a DOS program).
;
; While it reports: CS = DS = the program (but where DS reads another segment), SS = work memory, BP = 0, so that
; [bp + NAME] is a variable; ES:DI is where the line that is being written goes on. Procedures keep BP, SS and, but for
; those that write a line, nothing else. The direction flag is clear throughout.
;
; Sources: Intel 8086 Family User's Manual (instructions, bus, queue, segment wrap), National 16450 and PC16550D data
; sheets (registers), Plug and Play BIOS Specification 1.0A 2.3 and 3.1 (ROM header, far call of offset 3), ECMA-107
; (boot sector). BIOS data at 0040:0000: memory size 13h, equipment 10h, mode 49h, ticks 6Ch, COM 00h, LPT 08h
; (common practice).

%define ROM 1
%define FLOPPY 2
%define COM 3
cpu 8086
bits 16
%if WRAPPER == COM
%define ORIGIN 0x100
%else
%define ORIGIN 0
%endif
org ORIGIN

%include "work.inc"
%include "wrappers.inc"
%include "report.inc"
%include "line.inc"
%include "uart.inc"
%include "map.inc"
%include "found.inc"
%include "test.inc"
%include "crc.inc"
