"""Option ROMs and the first megabyte: what an image is, where it sits, what the BIOS scan makes of it.

Pure: bytes and values in, values out. Reading files is the command line's work.
"""
