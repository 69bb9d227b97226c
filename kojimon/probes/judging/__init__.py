"""Whether a reading or a probe is to be believed, by itself and beside its neighbours."""
