"""The doors themselves: sockets, who may come in, how many and how long, what a request may bring."""
