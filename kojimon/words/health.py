"""What fails in kojimon's own surroundings, and the one thing to do, as short as a lock screen needs it."""

from typing import Final

HEALTH_WORDS: Final = {
    "disk": "Disk trouble",
    "clock": "Clock not set",
    "broker": "MQTT broker not reached",
    "client": "Another MQTT client uses our name",
    "serial": "Serial port lost",
    "modbus": "Modbus does not answer",
    "kernel": "Kernel sensor lost",
    "mirror": "Copy server behind",
    "delivery": "Alarm messages not sent",
    "settings": "Settings file refused",
    "journal": "Journal trouble",
    "heartbeat": "Heartbeat not sent",
    "site": "No heartbeat",
    "backup": "No backup was made",
    "page": "The page is not open",
    "descriptors": "Too many open files",
    "acts": "Acts over MQTT are off",
    "forecast": "No forecast",
}
HEALTH_ACTIONS: Final = {
    "disk": "Free space, check card",
    "clock": "Enter how long ago, not the time",
    "broker": "Check broker, network",
    "client": "Change client_id",
    "serial": "Check plug and cable",
    "modbus": "Check plug and cable",
    "kernel": "Check wiring",
    "mirror": "Check its server",
    "delivery": "Check network",
    "settings": "Run: kojimon check",
    "journal": "Free space, check card",
    "heartbeat": "Check network and its address",
    "site": "Look at its computer, network",
    "backup": "Check the backup folder",
    "page": "Free its port, or change it",
    "descriptors": "Restart kojimon",
    "acts": "Broker: allow_anonymous false",
    "forecast": "Nothing: alarms stay on",
}
