"""Procedures that prove the rig: led step by step, carried out by the rig's own worker, concluded by station.prove."""
