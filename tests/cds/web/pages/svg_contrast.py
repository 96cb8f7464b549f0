"""Contrast of texts in drawings, which axe-core leaves out: each text against what lies under its middle (WCAG 2.2, 1.4.3)."""

from __future__ import annotations

from playwright.sync_api import Page

LEAST = 4.5
"""Least contrast of text (WCAG 2.2, success criterion 1.4.3, level AA)."""

_MEASURED = """
() => {
  const parts = (colour) => {
    const [red, green, blue, alpha] = colour.match(/[\\d.]+/g).map(Number);
    return [red, green, blue, alpha === undefined ? 1 : alpha];
  };
  const over = (top, under) => top.slice(0, 3).map((one, i) => one * top[3] + under[i] * (1 - top[3]));
  const light = (colour) => {
    const [red, green, blue] = colour.map((one) => one / 255)
      .map((one) => (one <= 0.04045 ? one / 12.92 : ((one + 0.055) / 1.055) ** 2.4));
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue;
  };
  const paint = (element) => {
    const style = getComputedStyle(element);
    if (!(element instanceof SVGElement) || element instanceof SVGSVGElement) return parts(style.backgroundColor);
    if (style.fill === "none" || element.closest("text")) return [0, 0, 0, 0];
    const [red, green, blue, alpha] = parts(style.fill);
    return [red, green, blue, alpha * style.fillOpacity * style.opacity];
  };
  const page = matchMedia("(prefers-color-scheme: dark)").matches && !matchMedia("print").matches ? [0, 0, 0] : [255, 255, 255];
  return [...document.querySelectorAll("svg text")].filter((one) => one.checkVisibility() && one.textContent.trim()).map((text) => {
    text.scrollIntoView({ block: "center" });
    const box = text.getBoundingClientRect();
    const under = document.elementsFromPoint(box.x + box.width / 2, box.y + box.height / 2);
    const ground = under.reverse().reduce((colour, element) => over(paint(element), colour), page);
    const ink = over(parts(getComputedStyle(text).fill), ground);
    const [more, less] = [light(ink), light(ground)].sort((a, b) => b - a);
    return [text.textContent.trim(), (more + 0.05) / (less + 0.05)];
  });
}
"""


def contrasts(page: Page) -> list[tuple[str, float]]:
    """Each visible text of a drawing, and its contrast."""
    return [(str(text), float(contrast)) for text, contrast in page.evaluate(_MEASURED)]


def hard_to_read(page: Page) -> list[str]:
    """The texts of drawings with less than the least contrast."""
    return [f"{text}: {contrast:.2f}" for text, contrast in contrasts(page) if contrast < LEAST]
