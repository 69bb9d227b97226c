"""The interview that ends in a settings file."""
