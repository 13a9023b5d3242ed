def test_nothing_yet() -> None: pass
