"""The MQTT library's client, bounded in what a broker can make it keep."""

from __future__ import annotations

import paho.mqtt.client as paho
from paho.mqtt.enums import MQTTErrorCode

MAX_PACKET_BYTES = 65_536
"""MQTT 5: the broker keeps larger packets away from us. One of 3.1.1 cannot be told."""
_QOS_2 = 0x04  # in the first byte of a PUBLISH


class BoundedClient(paho.Client):
    """Passes over what a packet has beyond its first 64 to 128 kB: who reads the message finds it too long,
    or broken. Were the connection closed instead, one such message that is retained would end each.
    """

    def _sock_recv(self, bufsize: int) -> bytes:  # the library has no public place for it
        del self._in_packet["packet"][MAX_PACKET_BYTES:]
        return super()._sock_recv(min(bufsize, MAX_PACKET_BYTES))

    def _handle_publish(self) -> MQTTErrorCode:
        """Nothing is asked for with QoS 2: messages that come so are kept until the broker says more."""
        if self._in_packet["command"] & _QOS_2:
            return MQTTErrorCode.MQTT_ERR_PROTOCOL
        return super()._handle_publish()
