"""The schema of a world file: everything the virtual workshop is built from.

Plain SI numbers with the unit in the key. Levels in dBm, ratios in dB.
Return losses (``match_db``) are positive numbers.
"""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Point = tuple[float, float, float]

CABLES = ("source_cable", "range_cable", "port_cable", "sense_cable", "far_cable")
POSITIONS = ("middle", "mount_a", "mount_b", "near_end")
STANDARDS = ("open", "short", "load", "offset short")
# "thru" at a mount joins the range cable to that mount's far cable.
ITEMS = (*STANDARDS, "thru", "nothing")


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class LimitsModel(_Part):
    """What an instrument accepts; a key that does not concern its kind stays unset."""

    frequency_min_hz: float | None = None
    frequency_max_hz: float | None = None
    level_min_dbm: float | None = None
    level_max_dbm: float | None = None
    input_max_dbm: float | None = None
    rbw_min_hz: float | None = None
    rbw_max_hz: float | None = None
    points_max: int | None = None
    list_points_max: int | None = None
    buffer_bytes: int | None = None


class TriggerCableModel(_Part):
    """A cable from one instrument's trigger output to another's trigger input."""

    sender: str
    receiver: str


class TriggersModel(_Part):
    """Trigger cables, and what goes wrong with the pulses on them."""

    cables: tuple[TriggerCableModel, ...] = ()
    delay_s: NotNegative = 2e-6
    jitter_s: NotNegative = 0.0
    missed: tuple[int, ...] = ()  # numbers of pulses that get lost, from 1 in each list
    extra: tuple[int, ...] = ()  # numbers of pulses that arrive twice


class InstrumentModel(_Part):
    """One simulated instrument as its server sees it."""

    name: str
    kind: Literal["source", "analyzer", "meter", "switch", "sense"]
    identity: str
    port: Annotated[int, Field(ge=0, le=65535)] = 0
    dialect: str = "plain"
    transport: Literal["socket", "hislip", "vxi11", "serial"] = "socket"
    latency_s: NotNegative = 0.0
    settle_s: NotNegative = 0.0
    limits: LimitsModel = LimitsModel()
    errors: dict[str, bool | int | float | str] = {}


class SourceModel(_Part):
    """The signal source: what its output differs by from what was set."""

    flatness_db: NotNegative = 0.4
    match_db: Positive = 18.0
    second_harmonic_dbc: float = -35.0
    third_harmonic_dbc: float = -42.0
    settle_s: NotNegative = 0.003
    drift_db_per_k: float = -0.006


class AnalyzerSettings(_Part):
    """The spectrum analyzer's imperfections."""

    noise_figure_db: NotNegative = 24.0
    noise_slope_db_per_ghz: float = 0.6
    response_db: NotNegative = 0.5
    linearity_db: NotNegative = 0.15
    match_db: Positive = 20.0
    drift_db_per_k: float = -0.012
    sweep_factor: Positive = 2.5


class PowerMeterSettings(_Part):
    """The power meter's imperfections; powers in watts."""

    noise_w: NotNegative = 0.8e-9
    offset_w: NotNegative = 8e-9
    offset_w_per_k: float = 0.4e-9
    response_db: NotNegative = 0.08
    linearity_db: NotNegative = 0.06
    reading_s: Positive = 0.002
    zero_s: Positive = 0.5


class TemperatureModel(_Part):
    """Room temperature: a slow swing plus the warming-up after switch-on."""

    swing_k: NotNegative = 1.0
    period_s: Positive = 5400.0
    warm_up_k: NotNegative = 0.5
    warm_up_s: Positive = 1200.0


class CableModel(_Part):
    """A coaxial cable: conductor loss as sqrt(f), dielectric loss as f."""

    length_m: Positive
    loss_db_per_m_at_1ghz: NotNegative = 0.45
    dielectric_share: Annotated[float, Field(ge=0, le=1)] = 0.15
    velocity_factor: Annotated[float, Field(gt=0, le=1)] = 0.7
    match_db: Positive = 28.0


class CouplerModel(_Part):
    """A directional coupler, its isolated port terminated inside."""

    coupling_db: Positive = 16.0
    coupling_slope_db_per_ghz: float = -0.25
    directivity_db: Positive = 32.0
    directivity_length_m: Positive = 0.06
    through_loss_db: NotNegative = 0.35
    match_db: Positive = 24.0


class SwitchModel(_Part):
    """The RF switch: one common per bank (the hundreds digit), throws closed exclusively."""

    isolation_db: Positive = 85.0
    loss_db_at_1ghz: NotNegative = 0.15
    length_m: Positive = 0.05
    match_db: Positive = 26.0
    repeatability_db: NotNegative = 0.005


class StandardsModel(_Part):
    """The open, short and load that terminate the test port."""

    open_capacitance_f: NotNegative = 40e-15
    short_inductance_h: NotNegative = 12e-12
    load_match_db: Positive = 34.0
    offset_m: Positive = 0.022  # air line ahead of the offset short


class AbsorberLayerModel(_Part):
    """One layer of the lining at 1 GHz: susceptibility (eps' - 1) and loss eps''."""

    thickness_m: Positive
    susceptibility: NotNegative
    loss: NotNegative


class AbsorberModel(_Part):
    """Wall lining on metal, layers from the metal outward, eps - 1 falling as f^-slope."""

    layers: Annotated[tuple[AbsorberLayerModel, ...], Field(min_length=1)]
    susceptibility_slope: NotNegative = 0.96
    loss_slope: NotNegative = 0.96


class AmbientModel(_Part):
    """A transmitter outside, as the level a lossless isotropic antenna would receive."""

    name: str
    frequency_hz: Positive
    level_dbm: float


class PersonModel(_Part):
    """Somebody walking to and fro before the box."""

    cross_section_m2: NotNegative = 0.6
    nearest_m: Positive = 1.0
    farthest_m: Positive = 2.5
    speed_m_per_s: Positive = 0.8


class BoxModel(_Part):
    """The absorber-lined box: inner size, positions from one corner, the range along x."""

    size_m: Point
    near_end_m: Point
    middle_m: Point
    mount_a_m: Point
    mount_b_m: Point | None = None
    absorber: AbsorberModel
    seam_shielding_db: NotNegative = 45.0
    panel_shielding_db: NotNegative = 70.0
    # Waves on the outside of cables that are not bonded to the box, against the direct ray.
    sheath_current_db: float = -24.0
    placing_m: NotNegative = 0.0005
    person: PersonModel | None = None
    ambient: tuple[AmbientModel, ...] = ()


class WireModel(_Part):
    """One straight element parallel to z, at ``x_m`` along the boom from the driven element."""

    x_m: float = 0.0
    length_m: Positive
    diameter_m: Positive


class FeedModel(_Part):
    """What lies between the driven element and the connector: a line section and its loss."""

    line_ohm: Positive | None = None
    line_length_m: NotNegative = 0.0
    loss_db: NotNegative = 0.1
    series_reactance_ohm: float = 0.0


class AntennaModel(_Part):
    """A wire antenna: its elements (the first is driven) and its feed."""

    name: str
    design_frequency_hz: Positive
    elements: Annotated[tuple[WireModel, ...], Field(min_length=1)]
    feed: FeedModel = FeedModel()
    clamp_x_m: float = 0.0


class ConnectorModel(_Part):
    """Connector repeatability: drawn anew at every placing."""

    loss_sd_db: NotNegative = 0.01
    reflection_sd: NotNegative = 0.003
    flex_loss_sd_db: NotNegative = 0.005
    flex_reflection_sd: NotNegative = 0.002


class WorldModel(_Part):
    """A whole world file."""

    name: str
    seed: int = 1
    layout: Literal["switched", "by-hand"]
    frequency_start_hz: Positive = 0.4e9
    frequency_stop_hz: Positive = 6.0e9
    source: SourceModel = SourceModel()
    analyzer: AnalyzerSettings = AnalyzerSettings()
    meter: PowerMeterSettings = PowerMeterSettings()
    temperature: TemperatureModel = TemperatureModel()
    cables: dict[str, CableModel]
    coupler: CouplerModel = CouplerModel()
    switch: SwitchModel = SwitchModel()
    standards: StandardsModel = StandardsModel()
    connector: ConnectorModel = ConnectorModel()
    box: BoxModel
    antennas: Annotated[tuple[AntennaModel, ...], Field(min_length=1)]
    placed: dict[str, str]
    instruments: tuple[InstrumentModel, ...] = ()
    triggers: TriggersModel = TriggersModel()

    @model_validator(mode="after")
    def _names_agree(self) -> "WorldModel":
        names = [antenna.name for antenna in self.antennas]
        if len(set(names)) != len(names):
            raise ValueError("two antennas bear the same name")
        items = {*names, *ITEMS}
        for position, item in self.placed.items():
            if position not in POSITIONS:
                raise ValueError(f"placed: no position {position!r}; there are {POSITIONS}")
            if item not in items:
                raise ValueError(f"placed.{position}: no item {item!r}; there are {sorted(items)}")
        missing = set(CABLES) - set(self.cables)
        unknown = set(self.cables) - set(CABLES)
        if missing or unknown:
            raise ValueError(f"cables must be exactly {CABLES}")
        if self.layout == "switched" and self.box.mount_b_m is None:
            raise ValueError("box.mount_b_m: a switched layout has two mounts")
        return self

    def antenna(self, name: str) -> AntennaModel:
        """The antenna of that name. Raises KeyError when there is none."""
        for antenna in self.antennas:
            if antenna.name == name:
                return antenna
        raise KeyError(name)
