"""What the tests of the planner's page read of it and press on it."""

from streamlit.testing.v1 import AppTest


def text_of(app: AppTest) -> str:
    """All that the page says."""
    kinds = (
        app.header,
        app.subheader,
        app.markdown,
        app.caption,
        app.text,
        app.info,
        app.warning,
        app.success,
        app.error,
    )
    return "\n".join(str(item.value) for kind in kinds for item in kind)


def press(app: AppTest, label: str, key: str | None = None) -> AppTest:
    """The page after its one button of that label, and key, was pressed."""
    (button,) = [b for b in app.button if b.label == label and (key is None or b.key == key)]
    return button.click().run()


def press_form(app: AppTest, label: str) -> AppTest:
    """As :func:`press` for the button of an open form."""
    (button,) = [b for b in app.button if b.label == label and not str(b.key).startswith("do_")]
    return button.click().run()
