from __future__ import annotations

import pytest

from buslens.discovery.vocabulary import ignition_state_of, meanings, state_of, tokens


class TestTokens:
    """Names fall into words at capitals, underscores and digits."""

    @pytest.mark.parametrize(
        ("name", "words"),
        [
            ("", ()),
            ("DRIVER_DOOR", ("driver", "door")),
            ("DrvDoorAjarSts", ("drv", "door", "ajar", "sts")),
            ("ESCLEnable2", ("escl", "enable", "2")),
            ("Fahrertür", ("fahrertuer",)),
            ("KL15_Ein", ("kl15", "ein")),
        ],
    )
    def test_split(self, name: str, words: tuple[str, ...]) -> None:
        assert tokens(name) == words

    def test_meanings(self) -> None:
        assert {"door", "driver", "ajar"} <= meanings(tokens("FL_DoorAjar"))
        assert meanings(tokens("Odometer")) == frozenset()

    @pytest.mark.parametrize(
        ("name", "said"),
        [
            ("DRVDRAJRST", {"driver", "door", "ajar", "status"}),
            ("StrtBtnPrsd", {"start", "button"}),
            ("ColmLckFdbk", {"column", "lock", "feedback"}),
            ("LENKRADSCHLOSSANSTEUERUNG", {"column", "enable"}),
            ("PORTE_CONDUCTEUR", {"door", "driver"}),
            ("Lenksperre_Ansteuern", {"column", "enable"}),
            ("ANTIVOL_CDE", {"column", "command"}),
            ("ELV_Wunsch", {"column", "request"}),
        ],
    )
    def test_run_together(self, name: str, said: set[str]) -> None:
        assert said <= meanings(tokens(name))


class TestStates:
    """A label means one of two opposite states, or neither."""

    @pytest.mark.parametrize(
        ("label", "first", "state"),
        [
            ("open", "open", "open"),
            ("Not_Open", "open", "closed"),
            ("Ajar", "open", "open"),
            ("zu", "open", "closed"),
            ("locked", "locked", "locked"),
            ("UNLOCKED", "locked", "unlocked"),
            ("not locked", "locked", "unlocked"),
            ("no data", "locked", None),
            ("error locked", "locked", None),
            ("locked or unlocked", "locked", None),
            ("", "on", None),
            ("Active", "on", "on"),
            ("Not Active", "on", "off"),
            ("42", "on", None),
            ("nicht betaetigt", "pressed", "released"),
            ("kein Schluessel", "present", "absent"),
            ("gesperrt", "on", "off"),
            ("deverrouille", "locked", "unlocked"),
        ],
    )
    def test_of_two(self, label: str, first: str, state: str | None) -> None:
        assert state_of(label, first) == state

    @pytest.mark.parametrize(
        ("label", "state"),
        [
            ("off", "off"),
            ("ACC", "off"),
            ("IGN_RUN", "on"),
            ("crank", "on"),
            ("invalid", None),
            ("7", None),
            ("KlR", "off"),
        ],
    )
    def test_of_the_ignition(self, label: str, state: str | None) -> None:
        assert ignition_state_of(label) == state
