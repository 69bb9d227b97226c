"""The files themselves: whose they are, what lies beside them, damage, copies."""
