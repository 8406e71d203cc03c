"""What people of the practice do, one module a deed: enroll, replan, record consent, read a reply, close a concern."""
