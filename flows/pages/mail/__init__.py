"""Mail: the message of a page, an outbox on disk, and its sending by SMTP."""
