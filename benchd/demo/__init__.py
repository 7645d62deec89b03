"""A simulated ISA PC on real ptys, for the demo and for tests; all but the `story` knows nothing of the rest of benchd.

A script (`steps`) says what a boot does; `machine` puts it on two serial lines with their byte times; `at286`
is a machine whose scripts depend on how it is set up; `story` plays an evening of trials with it.
"""
