"""LoRaWAN 1.0.x as it is on the air: frames taken apart, their integrity codes, their payloads, and wrapped keys.

Data uplinks only: joins, downlinks and what LoRaWAN 1.1 does otherwise (its two network keys) are the network's work.
Pure functions of bytes. Keys are arguments, and no error tells one.
"""
