"""Public functions speak of each parameter, of numbers with a unit, and of the errors they raise; an omission is found."""

from textwrap import dedent

import pytest

from tests.lints.described_parameters import Module, modules, undescribed


def left_out(*texts: str) -> list[str]:
    """What the docstrings of modules ``cds.m0``, ``cds.m1`` and so on leave out."""
    tree = [Module(f"cds.m{number}", f"cds/m{number}.py", dedent(text)) for number, text in enumerate(texts)]
    return [f"{one.function}: {one.what}" for one in undescribed(tree)]


@pytest.mark.tree
def test_every_parameter_in_the_tree_is_described() -> None:
    assert list(map(str, undescribed(modules()))) == [], "what is left out: python -m tests.lints.described_parameters"


def test_a_parameter_that_is_not_named_is_found() -> None:
    assert left_out('def fit(neck: Neck, line: str) -> Size:\n    """The size for ``neck``."""') == [
        "fit: line is not named"
    ]


def test_a_name_within_another_word_does_not_count() -> None:
    assert left_out('def fit(neck: Neck) -> Size:\n    """For ``neck_height``, a necklace."""') == [
        "fit: neck is not named"
    ]


def test_a_name_that_is_also_a_word_of_english_does_not_count_without_backticks() -> None:
    assert left_out('def fit(at: str, on: str) -> Size:\n    """Fit ``it`` at ``once``, on ``on.side``."""') == [
        "fit: at is not named"
    ]


def test_a_function_without_a_docstring_names_nothing() -> None:
    assert left_out("def fit(neck: Neck) -> Size:\n    return Size(neck)") == ["fit: neck is not named"]


@pytest.mark.parametrize("annotation", ["float", "int | None", "Sequence[float]", "Mapping[str, int]", "*args"])
def test_a_number_without_a_unit_is_found(annotation: str) -> None:
    text = '{}\n    """Cut at ``width``, the fact\'s own. A sentence that speaks of mm alone."""'
    given = "def cut(*width: float) -> None:" if annotation == "*args" else f"def cut(width: {annotation}) -> None:"
    assert left_out(text.format(given)) == ["cut: width is a number without a unit"]


@pytest.mark.parametrize(
    "text",
    [
        'def cut(width: float) -> None:\n    """Cut at ``width``, in mm."""',
        'def cut(width_mm: float) -> None:\n    """Cut at ``width_mm``."""',
        'def cut(width: int) -> None:\n    """Cut in ``width`` steps; the rest is left."""',
        'def cut(width: int) -> None:\n    """Cut. ``width``: how many\n    are cut."""',
    ],
    ids=["beside it", "in its name", "what it counts", "over two lines"],
)
def test_a_number_with_its_unit_is_described(text: str) -> None:
    assert left_out(text) == []


def test_a_time_that_is_not_called_a_moment_is_found() -> None:
    told = 'def due(at: datetime | None, hours: timedelta) -> bool:\n    """Whether it is due at {} after ``hours``."""'
    assert left_out(told.format("``at``")) == ["due: at is not called a moment"]
    assert left_out(told.format("the moment ``at``"), told.format("``at`` (with time zone)")) == []


def test_a_number_that_is_returned_without_a_unit_is_found() -> None:
    told = 'def {}(neck: Neck) -> float:\n    """What ``neck`` measures{}."""'
    assert left_out(told.format("girth", "")) == ["girth: it returns a number without a unit"]
    assert left_out(told.format("girth_mm", ""), told.format("girth", " in mm")) == []


def test_an_error_that_is_not_said_is_found() -> None:
    body = '    """{}"""\n    if True:\n        raise errors.FitError("no")\n    def inner():\n        raise KeyError'
    assert left_out(f"def fit():\n{body.format('Fit.')}") == ["fit: it raises FitError, which is not said"]
    assert left_out(f"def fit():\n{body.format('Fit. Raises FitError.')}") == []


def test_a_method_of_a_class_is_asked_too_and_self_is_not() -> None:
    text = '''
        class Collar:
            def turn(self, degrees: object) -> None:
                """Turn it."""
            @classmethod
            async def read(cls, *parts: str, **more: str) -> None:
                """Read ``parts``."""
        '''
    assert left_out(text) == ["Collar.turn: degrees is not named", "Collar.read: more is not named"]


@pytest.mark.parametrize(
    "text",
    [
        "def _fit(neck: Neck): ...",
        "class _Fit:\n    def fit(self, neck: Neck): ...",
        'def fit():\n    """Fit."""\n    def inner(neck: Neck): ...',
        "@click.command()\ndef fit(neck: Neck): ...",
        '@router.post("/fit")\nasync def fit(request: Request): ...',
        "class Fit(BaseModel):\n    @field_validator('neck')\n    def checked(cls, value: int): ...",
        "@overload\ndef fit(neck: Neck): ...",
        "import ast\nclass Fit(ast.NodeVisitor):\n    def visit(self, node: ast.AST): ...",
        "class Fit(dict[str, str]):\n    def get(self, key: str): ...",
    ],
    ids=[
        "private",
        "of a private class",
        "inside",
        "command",
        "route",
        "validator",
        "overload",
        "of a library",
        "built in",
    ],
)
def test_what_is_described_elsewhere_is_left_alone(text: str) -> None:
    assert left_out(text) == []


BASE = '''
    class Reader(Base):
        def read(self, record: Record, at: datetime) -> None:
            """Read ``record``."""
'''


def test_a_base_class_of_another_module_describes_as_far_as_it_does() -> None:
    derived = """
        from cds.m0 import Reader
        class Quick(Reader):
            def read(self, record, at): ...
            def skip(self, record): ...
        """
    found = left_out(BASE, derived)
    assert found == [
        "Reader.read: at is not named",
        "Quick.read: at is not named",
        "Quick.skip: record is not named",
    ]


def test_a_protocol_describes_whoever_has_its_method_with_the_same_parameters() -> None:
    protocol = BASE.replace("Base", "Protocol").replace("``record``", "``record`` at the moment ``at``")
    assert left_out(protocol, "class Quick:\n    def read(self, record, at): ...") == []
    assert left_out(protocol, "class Quick:\n    def read(self, record): ...") == ["Quick.read: record is not named"]
