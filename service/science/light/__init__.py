"""Illuminance or photon flux in; dose, photoperiod, lamp faults and light under water out."""
