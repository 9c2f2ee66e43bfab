"""Sensor Measurement Lists (RFC 8428): names of units (`naming`), packs written (`write`) and
read (`resolve`)."""
