"""One mail over an open SMTP session, in as few round trips as the server allows.

A server that offers PIPELINING (RFC 2920) gets MAIL, RCPT and DATA in one group; DATA ends it, as section
3.1 asks, and every reply is read before anything else is said.
"""

from __future__ import annotations

import smtplib

from alertd.errors import DeliveryRejected

SHUTTING_DOWN = 421  # RFC 5321, 3.8: the connection closes, whatever it was about
GO_ON = 354
Reply = tuple[int, bytes]


def open_envelope(smtp: smtplib.SMTP, sender: str, recipient: str) -> None:
    """Have the server ask for the content of a mail; until then nothing can have been delivered.

    Both addresses are bare ones.

    Raises
    ------
    DeliveryRejected
        If an address needs an extension that the server lacks.
    smtplib.SMTPException
        SMTPSenderRefused, SMTPRecipientsRefused or SMTPDataError with the server's word, or a hang-up.
    """
    utf8 = not (sender + recipient).isascii()
    if utf8 and not smtp.has_extn("smtputf8"):
        raise DeliveryRejected("the mail server cannot take addresses with letters beyond a-z")
    commands = (
        f"MAIL FROM:<{sender}>{' SMTPUTF8' if utf8 else ''}",
        f"RCPT TO:<{recipient}>",
        "DATA",
    )
    pipelines = smtp.has_extn("pipelining")
    replies = _together(smtp, commands) if pipelines else _one_by_one(smtp, commands)
    if _are_good(replies):
        return
    if len(replies) == len(commands) and replies[-1][0] == GO_ON:
        # It asks for content although it takes no recipient: RFC 2920, 3.1 wants a single dot then.
        smtp.send(b".\r\n")
        smtp.getreply()
    raise _refusal(replies, sender, recipient)


def send_content(smtp: smtplib.SMTP, content: bytes) -> Reply:
    """Hand over a content of header and body in lines that end in CRLF, and return the server's word.

    Raises smtplib.SMTPDataError if the server does not take it.
    """
    smtp.send(content.replace(b"\n.", b"\n..") + b".\r\n")  # RFC 5321, 4.5.2
    code, answer = smtp.getreply()
    if code != 250:
        raise smtplib.SMTPDataError(code, answer)
    return code, answer


def _together(smtp: smtplib.SMTP, commands: tuple[str, ...]) -> list[Reply]:
    smtp.send("".join(f"{_line(command)}\r\n" for command in commands).encode())
    replies: list[Reply] = []
    for _ in commands:
        try:
            replies.append(_reply(smtp))
        except smtplib.SMTPServerDisconnected:
            if _are_good(replies):
                raise
            return replies  # it hung up after saying no, and that word is worth more than the hang-up
        if replies[-1][0] in {SHUTTING_DOWN, -1}:
            smtp.close()  # what follows, if anything, answers nothing of ours
            return replies
    return replies


def _one_by_one(smtp: smtplib.SMTP, commands: tuple[str, ...]) -> list[Reply]:
    replies: list[Reply] = []
    for command in commands:
        smtp.send(f"{_line(command)}\r\n".encode())
        replies.append(_reply(smtp))
        if not _are_good(replies):
            return replies
    return replies


def _line(command: str) -> str:
    if not command.isprintable():
        raise ValueError("an address holds characters that do not belong in a command")
    return command


def _reply(smtp: smtplib.SMTP) -> Reply:
    code, answer = smtp.getreply()
    return code, answer


def _are_good(replies: list[Reply]) -> bool:
    wanted = ((250,), (250, 251), (GO_ON,))
    return all(reply[0] in codes for reply, codes in zip(replies, wanted, strict=False))


def _refusal(replies: list[Reply], sender: str, recipient: str) -> smtplib.SMTPException:
    (code, answer), *rest = replies
    if code != 250:
        return smtplib.SMTPSenderRefused(code, answer, sender)
    code, answer = rest[0]
    if code not in (250, 251):
        return smtplib.SMTPRecipientsRefused({recipient: (code, answer)})
    return smtplib.SMTPDataError(*rest[1])
