"""Rigs of real peers for end-to-end tests: `from peers.qemu import EmulatedPc`."""
