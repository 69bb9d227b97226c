"""What programs are told under /v1: the application, its questions, and how its answers are written."""
