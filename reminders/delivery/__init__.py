"""How messages leave: the outbox, the dispatcher, and the transports. The only code that opens links."""
