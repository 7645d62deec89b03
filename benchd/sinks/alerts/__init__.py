"""Telling people: policy, texts, channels."""
