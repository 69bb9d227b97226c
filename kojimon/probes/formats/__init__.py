"""From bytes to numbers: lines, JSON, CSV, key and value, Homie."""
