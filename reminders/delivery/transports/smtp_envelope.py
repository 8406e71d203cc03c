"""Knows how a mail server is asked to take a message: in one go where it lets us, else step by step."""

from __future__ import annotations

import smtplib

GO_ON = 354
"""The answer after which the content is sent."""


def ask_to_take(link: smtplib.SMTP, sender: str, recipient: str) -> tuple[int, bytes]:
    """Name sender and recipient, bare addresses, and ask for the content; return `GO_ON`, or the first that refuses.

    A server that offers PIPELINING is told all three at once (RFC 2920), which spares two journeys there and back.
    """
    if link.has_extn("pipelining"):
        return _in_one_go(link, sender, recipient)
    answer = link.mail(sender)
    if answer[0] // 100 == 2:
        answer = link.rcpt(recipient)
    return link.docmd("DATA") if answer[0] // 100 == 2 else answer


def _in_one_go(link: smtplib.SMTP, sender: str, recipient: str) -> tuple[int, bytes]:
    link.send(f"MAIL FROM:<{sender}>\r\nRCPT TO:<{recipient}>\r\nDATA\r\n")
    named = link.getreply()
    if named[0] == 421:  # the server closes the connection, and answers nothing more (RFC 5321 section 3.8)
        return named
    addressed = link.getreply()
    if addressed[0] == 421:
        return addressed
    data = link.getreply()
    for answer in (named, addressed):
        if answer[0] // 100 != 2:
            if data[0] == GO_ON:  # it asks for content that goes to nobody, and gets none (RFC 2920 section 3.1)
                link.send(".\r\n")
                link.getreply()
            return answer
    return data
