"""The tables of a scene that tell of the prop and of the contact that triggers it."""

from __future__ import annotations

from pydantic import Field, field_validator, model_validator

from cuesync.devices.contact_addresses import (
    InputContact,
    MidiContact,
    MidiControlContact,
    MqttContact,
    OscContact,
    bare,
    normally_closed,
    parse_contact,
    parse_switch,
)
from cuesync.tomlfile import Table


class PropPart(Table):
    """The prop: what was measured of it, or its delay and reset given by hand."""

    profile: str | None = Field(None, description="profile file, beside the scene file or with its path")
    trigger_to_pop_ms: float | None = Field(
        # at least 5: no spring is that fast, but somebody who wrote seconds is
        None,
        ge=5,
        le=60_000,
        description="delay from trigger to pop, where there is no profile",
    )
    reset_s: float | None = Field(
        None,
        gt=0,
        le=3600,
        description="from trigger until the prop can be triggered again; overrides what the profile heard",
    )
    pop_contact: str | None = Field(
        None,
        description='contact that the prop itself closes as it pops, or a microphone at it ("microphone:1"); '
        "with it misfires and drift are seen",
    )
    hold_after_misfires: int = Field(
        3, ge=0, le=100, description="with pop_contact: misfires in a row that hold the scene; 0 = never"
    )
    limit_contact: str | None = Field(
        None,
        description="the prop's limit switch, closed while the prop is reset; then the reset is known, not "
        "reckoned",
    )
    limit_margin_s: float = Field(
        5.0,
        gt=0,
        le=3600,
        description="with limit_contact: held as jammed where it has not closed reset_s and this much later",
    )
    follow_drift_ms: float = Field(
        0.0,
        ge=0,
        le=500,
        description="with pop_contact: how far the cue may follow the prop's drift by itself",
    )

    @field_validator("pop_contact")
    @classmethod
    def known_contact(cls, value: str | None) -> str | None:
        if value is not None:
            parse_contact(value)
        return value

    @field_validator("limit_contact")
    @classmethod
    def known_switch(cls, value: str | None) -> str | None:
        if value is not None and isinstance(parse_switch(value), InputContact):
            raise ValueError(
                f'"{value}" would be taken the wrong way round: as it stands at the start it counts as open, '
                "but a limit switch is closed then. Write another kind of contact, a pin or a line of a "
                "serial adapter, say."
            )
        return value

    @model_validator(mode="after")
    def one_delay(self) -> PropPart:
        if self.profile is None and self.trigger_to_pop_ms is None:
            raise ValueError(
                'the delay is missing. Write profile = "….toml" (made by cuesync measure … --save), '
                "or trigger_to_pop_ms = … if you know it."
            )
        if self.profile is not None and self.trigger_to_pop_ms is not None:
            raise ValueError("both profile and trigger_to_pop_ms are given. Keep one of them.")
        return self


class TriggerPart(Table):
    """The contact that starts the scare."""

    contact: str = Field(
        "key:space", description='"key:space", another key as "key:f", or a MIDI note "midi:60"'
    )
    debounce_ms: float = Field(
        30.0, ge=0, le=1000, description="how long the contact must be open before it counts as released"
    )
    hold_off_s: float = Field(
        0.0,
        ge=0,
        le=3600,
        description="after a press, taken or refused, the contact counts for nothing for so long; for motion "
        "sensors",
    )
    between_groups_s: float = Field(
        0.0,
        ge=0,
        le=3600,
        description="from one scare to the next at least; the reset counts as well, whichever is longer",
    )
    enable_contact: str | None = Field(
        None,
        description="dead-man: presses count only while the operator holds this second contact closed",
    )

    @field_validator("contact", "enable_contact")
    @classmethod
    def known_contact(cls, value: str | None) -> str | None:
        if value is not None:
            parse_switch(value)
        return value

    @field_validator("enable_contact")
    @classmethod
    def let_go_when_lost(cls, value: str | None) -> str | None:
        if value is None:
            return value
        if normally_closed(value):
            raise ValueError(
                f'"{value}": a broken wire would count as held. Wire a contact that is closed while held, '
                f'and write "{bare(value)}".'
            )
        contact = parse_switch(value)
        if isinstance(contact, OscContact | MqttContact):
            raise ValueError(
                f'"{value}": where the message that it was let go is lost, it would count as held. Write a '
                "contact that is wired to this computer, a key or a pin, say."
            )
        if isinstance(contact, MidiContact | MidiControlContact):
            raise ValueError(
                f'"{value}": where a MIDI cable is pulled, no message says that it was let go, and it would '
                "count as held. Write a contact that is wired to this computer, a key or a pin, say."
            )
        if isinstance(contact, InputContact):
            raise ValueError(
                f'"{value}" can be taken the wrong way round: held while the show starts, it would count as '
                "held once it is let go. Write another kind of contact, a key or a pin, say."
            )
        return value
