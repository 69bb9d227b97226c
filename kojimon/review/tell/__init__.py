"""The figures in words: tables, sentences, the report and batches beside each other."""
