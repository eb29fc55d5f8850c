"""The pages by which people act: at the pole, and behind a signed link. Only the running site has them."""

from fastapi.responses import HTMLResponse

from monitor.show.door import Visitor
from monitor.show.pages import Pages, concerns
from monitor.show.ports import Site
from monitor.show.rendering import environment
from monitor.show.views import AlarmView


class ActingPages(Pages):
    """Pages of a running site."""

    def __init__(self, site: Site) -> None:
        super().__init__(site)
        self._own = site

    def answer(self, person: str, alarm: AlarmView, done: bool = False) -> HTMLResponse:
        """The page behind a signed link: one alarm, one button."""
        template = environment(self._own.tongue(person)).get_template("answer.html")
        said = template.render(picture=self._own.picture(), alarm=alarm, person=person, done=done)
        return HTMLResponse(said, headers={"Cache-Control": "no-store"})

    def standing(self, visitor: Visitor, name: str) -> HTMLResponse:
        """At the pole: each second, before and after."""
        picture, pole = self.place(name)
        told = self._own.at_pole.look(name)
        more = {"title": name, "pole": pole, "told": told, "alarms": [a for a in picture.alarms if concerns(a, name)]}
        return self.render("standing.html", visitor, picture, here="pole", **more)
