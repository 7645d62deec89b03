"""The words that all rooms share: records, observations, events, and the published form of a boot."""
