"""Sinks: where events go (metrics, MQTT, alerts). Each has its own bounded queue and knows of no other."""
