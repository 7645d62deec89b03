; The reporter: tells over a UART what the processor reads in the first megabyte. WRAPPER is ROM, FLOPPY or COM.
%define ROM 1
%define FLOPPY 2
%define COM 3
cpu 8086
bits 16
%if WRAPPER == COM
org 0x100
%else
org 0
%endif
%include "options.inc"
