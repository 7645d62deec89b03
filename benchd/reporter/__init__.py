"""The reporter: a small 8086 program that tells over a UART what the old machine's processor reads."""
