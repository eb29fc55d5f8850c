"""Who does something. It is kept under the name by which the visitor is known, and under nobody else's.

| comes by | is known as | may name somebody else |
|---|---|---|
| the networked page | the person who logged in | no |
| the API, with a token | the token's name | no |
| the command socket | the Unix user, as the kernel tells (SO_PEERCRED, unix(7)) | yes: kept as "jo (entered by sam)" |
| the page on loopback | nobody: no one logs in there | says a name of his own |
"""

from typing import Annotated

from fastapi import Depends, Form, HTTPException, Request

from monitor.facts.printable import one_line
from monitor.show.door import Visitor
from monitor.show.entrance import may_act

MOST_CHARACTERS = 60


def looking(request: Request) -> Visitor:
    """Who looks; the entrance has found that out."""
    found: Visitor = request.state.visitor
    return found


Looking = Annotated[Visitor, Depends(looking)]


def kept_as(visitor: Visitor, said: str) -> str:
    """The name under which an act is kept, where ``said`` names who did it. HTTPException where it may not be said."""
    said = one_line(said)
    if not visitor.name:
        if not said:
            raise HTTPException(400, "say who you are (who): nobody logs in at this machine's own address")
        return said
    if said in ("", visitor.name):
        return visitor.name
    if not visitor.at_the_box:
        raise HTTPException(403, f"you are {visitor.name} here and cannot act as {said}; leave out who")
    return f"{said} (entered by {visitor.name})"


Said = Annotated[str, Form(max_length=MOST_CHARACTERS)]


def doer(visitor: Annotated[Visitor, Depends(may_act)], who: Said = "") -> str:
    """The name under which what a form asks for is kept."""
    return kept_as(visitor, who)


Doer = Annotated[str, Depends(doer)]
