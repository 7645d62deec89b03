"""A simulated ISA PC on real ptys, for the demo and for load tests. Imports nothing from the rest of benchd.

A script (`steps`) says what a boot does; `machine` puts it on two serial lines with their byte times; `at286`
is a machine whose scripts depend on how it is set up; `load` floods lines.
"""
