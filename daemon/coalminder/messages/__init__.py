"""MQTT: topics, payload models, commands, discovery for home hubs, the link to the broker."""
