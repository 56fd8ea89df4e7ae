"""A page being read in a browser, and everything it said or asked for meanwhile."""

READY = "html[data-ready='1']"


class Reader:
    """A page being read, and everything it said or asked for meanwhile."""

    def __init__(self, context):
        self.page = context.new_page()
        self.heard: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda message: self.heard.append(message.text))
        self.page.on("pageerror", lambda error: self.heard.append(str(error)))
        self.page.on("request", self._ask)

    def _ask(self, request):
        if not request.is_navigation_request():
            self.asked.append(request.url)

    def open(self, folder, name, fragment=""):
        self.page.goto("about:blank")
        self.page.goto(f"{(folder / f'{name}.html').as_uri()}{fragment}")
        self.page.wait_for_selector(READY, state="attached")
        return self.page
