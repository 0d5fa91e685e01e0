"""Pages made from a template of a package: what is put in is text, and what is missing is a fault."""

from functools import cache
from importlib import resources

from jinja2 import Environment, StrictUndefined, Template

from ctrecon.core.measured import format_percent, format_value

__all__ = ["page_template"]


@cache
def page_template(package: str, name: str) -> Template:
    """Return a template that lies in a package, such as ``template.html``."""
    text = resources.files(package).joinpath(name).read_text(encoding="utf-8")
    page = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    page.filters.update(percent=format_percent, decimals=format_value)
    return page.from_string(text)
