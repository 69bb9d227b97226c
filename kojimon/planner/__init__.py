"""Before the batch: when to begin, so that the work does not fall into the night. Quantities are in `kojimon/mash`."""
