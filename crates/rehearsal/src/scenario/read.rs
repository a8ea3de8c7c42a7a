//! Reading a scenario file: every fault with line, column and what is allowed.

use std::ops::Range;

use dunlin_air::{Band, BandConfig, FmConfig, Kind, PathConfig, SsbConfig, StationConfig};
use dunlin_ax25::CallSign;
use dunlin_clock::{Duration, SampleRate};
use dunlin_plan::{FaultList, Faults, PlanRules, PortPart, Section, parse, station_from, text_of};
use dunlin_station::{PortConfig, Station};

use super::explain::explain;
use super::settings as s;
use super::{MOST_BANDS, MOST_STATIONS, Member, Scenario, Seat, read_people};

/// The rules under which the parts of a station plan are read. The rate is only that of the
/// checks there; each port takes the rate of its band.
pub(super) const RULES: PlanRules =
    PlanRules::rehearsal(SampleRate::new(24_000).expect("not zero"));

/// A band and where it stands in the file, with its paths, which are read after the stations.
struct BandRead<'i> {
    config: BandConfig,
    at: Range<usize>,
    paths: Vec<Section<'i>>,
}

impl Scenario {
    /// Reads the content of a file; `file` is its name for messages.
    ///
    /// # Errors
    /// Everything that is wrong with it, each with line and column.
    pub fn read(file: &str, octets: &[u8]) -> Result<Scenario, FaultList> {
        let text = text_of(file, octets)?;
        let mut faults = Faults::new(file, text);
        let Some(mut section) = parse(text, "the scenario", &RULES, &mut faults) else {
            return faults.decide(None);
        };
        let scenario = whole(&mut section, &mut faults);
        section.finish(&mut faults);
        faults.decide(scenario)
    }

    /// Every setting of a scenario file with its help, range and default, for people.
    pub fn explain() -> String {
        explain(&RULES)
    }
}

fn whole<'i>(section: &mut Section<'i>, faults: &mut Faults<'i>) -> Option<Scenario> {
    let title = section.take(&s::TITLE, faults);
    let seed = section.take(&s::SEED, faults);
    let lasts = section.take(&s::LASTS, faults);
    let operator = section.take(&s::OPERATOR, faults);
    let mut bands = bands(section, faults);
    let stations = stations(section, &mut bands, faults);
    let complete = stations.iter().all(Option::is_some);
    for band in &mut bands {
        paths(band, complete, faults);
    }
    let mut scenario = Scenario {
        title: title.unwrap_or_default(),
        seed: u64::from(seed.unwrap_or_default()),
        lasts: lasts.unwrap_or_default(),
        operator: 0,
        bands: bands.iter().map(|b| b.config.clone()).collect(),
        stations: stations.into_iter().flatten().collect(),
        people: Vec::new(),
        promises: Vec::new(),
    };
    // People and promises name stations; if one of those is missing, more faults only confuse.
    if complete {
        if let Some(call) = operator {
            scenario.operator = known(&scenario, call, section.at("operator"), faults)?;
        }
        scenario.people = read_people::people(section, &scenario, faults);
        scenario.promises = read_people::promises(section, &scenario, faults);
        buildable(&scenario, &bands, faults);
    } else {
        // Their tables are known all the same.
        let _ = section.tables("person", "[[person]]", s::MOST_PEOPLE, faults);
        let _ = section.tables("promise", "[[promise]]", s::MOST_PROMISES, faults);
    }
    Some(scenario)
}

/// The number of the station with this call sign; a fault if there is none.
pub(super) fn known(
    scenario: &Scenario,
    call: CallSign,
    at: Range<usize>,
    faults: &mut Faults<'_>,
) -> Option<usize> {
    let station = scenario.station(call);
    if station.is_none() {
        let calls = scenario.stations.iter().map(|m| m.config.call.to_string());
        let allowed = format!("one of {}", calls.collect::<Vec<_>>().join(", "));
        faults.add(
            at,
            format!("there is no station {call} in this scenario"),
            allowed,
        );
    }
    station
}

/// The number of the band with this name; a fault if there is none.
pub(super) fn band_called(
    bands: &[BandConfig],
    name: &str,
    at: Range<usize>,
    faults: &mut Faults<'_>,
) -> Option<usize> {
    let band = bands.iter().position(|b| b.name == name);
    if band.is_none() {
        let names: Vec<&str> = bands.iter().map(|b| b.name.as_str()).collect();
        let allowed = format!("one of {}", names.join(", "));
        faults.add(at, format!("there is no [[band]] called '{name}'"), allowed);
    }
    band
}

fn bands<'i>(section: &mut Section<'i>, faults: &mut Faults<'i>) -> Vec<BandRead<'i>> {
    let mut bands: Vec<BandRead<'i>> = Vec::new();
    for mut table in section.tables("band", "[[band]]", MOST_BANDS, faults) {
        let name = table.take(&s::BAND_NAME, faults);
        let kind = table.take(&s::KIND, faults);
        let rate = table.take(&s::RATE, faults);
        let nominal = table.take(&s::NOMINAL, faults).unwrap_or(-12.0);
        let nominal_audio = 10_f64.powf(nominal / 20.0);
        let sideband = table.take(&s::SIDEBAND, faults).unwrap_or_default();
        let deviation = table.take(&s::DEVIATION, faults).unwrap_or(3000.0);
        let paths = table.tables("paths", "paths = [{ … }]", s::MOST_PATHS, faults);
        let at = table.at("name");
        let rate_at = table.at("rate");
        table.finish(faults);
        let (Some(name), Some(kind), Some(hz)) = (name, kind, rate) else {
            continue;
        };
        let Some(rate) = SampleRate::new(hz) else {
            continue;
        };
        if bands.iter().any(|b| b.config.name == name) {
            let what = format!("name: another band is called '{name}' too");
            faults.add(at.clone(), what, "a name that no other band has");
        }
        let kind = match kind {
            s::Kind::Fm if hz < 21_000 => {
                let what = format!("rate: {hz} samples per second do not hold an FM channel");
                faults.add(rate_at, what, "at least 21000 for kind = \"fm\"");
                continue;
            }
            s::Kind::Fm => Kind::Fm(FmConfig {
                nominal_audio,
                nominal_deviation_hz: deviation,
                ..FmConfig::default()
            }),
            s::Kind::Ssb => Kind::Ssb(SsbConfig {
                nominal_audio,
                sideband,
                ..SsbConfig::default()
            }),
        };
        let (stations, no_paths) = (Vec::new(), Vec::new());
        let config = BandConfig {
            name,
            rate,
            kind,
            stations,
            paths: no_paths,
            seed: 0,
        };
        bands.push(BandRead { config, at, paths });
    }
    if bands.is_empty() && !section.was_written("band") {
        let allowed = "one [[band]] for each channel, with name = and kind =";
        faults.add(section.at("band"), "there is no [[band]]", allowed);
    }
    bands
}

/// The stations; `None` for each that has faults.
fn stations<'i>(
    section: &mut Section<'i>,
    bands: &mut [BandRead<'i>],
    faults: &mut Faults<'i>,
) -> Vec<Option<Member>> {
    let mut members: Vec<Option<Member>> = Vec::new();
    for mut table in section.tables("place", "[[place]]", MOST_STATIONS, faults) {
        let about = table.take(&s::ABOUT, faults).unwrap_or_default();
        let part = station_from(&mut table, faults);
        let at = table.at("station");
        table.finish(faults);
        let mut seats = Vec::new();
        let mut config = part.config;
        let call = config.as_ref().map(|c| c.call);
        if let Some(call) = call
            && members.iter().flatten().any(|m| m.config.call == call)
        {
            let what = format!("another station has the call sign {call} too");
            faults.add(at, what, "a call sign that no other station has");
            config = None;
        }
        for (number, port) in part.ports.into_iter().enumerate() {
            let port_config = config.as_mut().map(|c| &mut c.ports[number]);
            seats.push(seat(port, port_config, call, bands, faults));
        }
        let seats: Option<Vec<Seat>> = seats.into_iter().collect();
        members.push(config.zip(seats).map(|(config, seats)| Member {
            config,
            about,
            seats,
        }));
    }
    if members.is_empty() && !section.was_written("place") {
        let allowed = "one [[place]] for each station, with [place.station] and [[place.port]]";
        faults.add(section.at("place"), "there is no [[place]]", allowed);
    }
    members
}

/// Puts a port on its band.
fn seat<'i>(
    mut part: PortPart<'i>,
    port: Option<&mut PortConfig>,
    call: Option<CallSign>,
    bands: &mut [BandRead<'i>],
    faults: &mut Faults<'i>,
) -> Option<Seat> {
    let rest = &mut part.rest;
    let named = rest.take(&s::PORT_BAND, faults);
    let (named, at) = match (named, &port) {
        (Some(named), _) => (Some(named), rest.at("band")),
        (None, port) => (port.as_ref().map(|p| p.name.clone()), rest.at("name")),
    };
    let mut radio = StationConfig::new(call.map_or(String::new(), |c| c.to_string()));
    radio.clock_ppm = rest.take(&s::CLOCK_ERROR, faults)?;
    radio.mistune_hz = rest.take(&s::DIAL_ERROR, faults)?;
    radio.drive_db = rest.take(&s::DRIVE, faults)?;
    radio.pre_emphasis = rest.take(&s::PRE_EMPHASIS, faults)?;
    radio.de_emphasis = rest.take(&s::DE_EMPHASIS, faults)?;
    radio.key_up = rest.take(&s::KEY_UP, faults)?;
    radio.recovery = rest.take(&s::RECOVERY, faults)?;
    let mode_at = rest.at("mode");
    part.rest.finish(faults);
    let (port, named) = (port?, named?);
    let Some(number) = bands.iter().position(|b| b.config.name == named) else {
        let names: Vec<&str> = bands.iter().map(|b| b.config.name.as_str()).collect();
        let allowed = format!("band = one of {}", names.join(", "));
        faults.add(
            at,
            format!("there is no [[band]] called '{named}'"),
            allowed,
        );
        return None;
    };
    let band = &mut bands[number].config;
    if band.stations.iter().any(|other| other.name == radio.name) {
        let what = format!("{} is on the band '{named}' already", radio.name);
        faults.add(at, what, "one port of each station on a band");
        return None;
    }
    port.rate = band.rate;
    if let Err(error) = port.line.check_rate(band.rate) {
        let allowed = format!(
            "a mode that works at the band's rate of {} Hz",
            band.rate.hz()
        );
        faults.add(mode_at, format!("mode: {error}"), allowed);
        return None;
    }
    band.stations.push(radio);
    Some(Seat {
        band: number,
        place: band.stations.len() - 1,
    })
}

/// Reads the paths of a band. Unless the stations are `complete`, one that is not there is no
/// fault of the path that names it.
fn paths<'i>(band: &mut BandRead<'i>, complete: bool, faults: &mut Faults<'i>) {
    for mut table in std::mem::take(&mut band.paths) {
        let from = table.take(&s::PATH_FROM, faults);
        let to = table.take(&s::PATH_TO, faults);
        let level = table.take(&s::PATH_LEVEL, faults);
        let back = table.take(&s::PATH_BACK, faults);
        let one_way = table.take(&s::PATH_ONE_WAY, faults);
        let fading = table.take(&s::PATH_FADING, faults);
        let hours = table.take(&s::PATH_OPEN, faults);
        let ends = [(from, table.at("from")), (to, table.at("to"))];
        table.finish(faults);
        let [from, to] = ends.map(|(call, at)| on_band(&band.config, call?, at, complete, faults));
        let (Some((from, _)), Some((to, at)), Some(level)) = (from, to, level) else {
            continue;
        };
        let mut path = PathConfig::new(&from, &to, level);
        path.fading = fading.unwrap_or_default();
        path.hours = hours.unwrap_or_default();
        let config = &mut band.config;
        let there = |a: &str, b: &str| config.paths.iter().any(|p| p.from == a && p.to == b);
        let both = one_way == Some(false);
        if from == to || there(&from, &to) || (both && there(&to, &from)) {
            let what = format!("the path between {from} and {to} is given already");
            faults.add(at, what, "each pair of different stations once");
            continue;
        }
        if both {
            config.paths.push(path.back(back.unwrap_or(level)));
        }
        config.paths.push(path);
    }
}

/// The name of a station on a band; a fault if it has no port there.
fn on_band(
    band: &BandConfig,
    call: CallSign,
    at: Range<usize>,
    complete: bool,
    faults: &mut Faults<'_>,
) -> Option<(String, Range<usize>)> {
    let name = call.to_string();
    if band.stations.iter().any(|other| other.name == name) {
        return Some((name, at));
    }
    if !complete {
        return None;
    }
    let names: Vec<&str> = band
        .stations
        .iter()
        .map(|other| other.name.as_str())
        .collect();
    let allowed = format!("one of {}", names.join(", "));
    faults.add(
        at,
        format!("{name} has no port on the band '{}'", band.name),
        allowed,
    );
    None
}

/// Builds every band and station once, so that a scenario that was read can begin.
fn buildable(scenario: &Scenario, bands: &[BandRead<'_>], faults: &mut Faults<'_>) {
    if !faults.is_empty() {
        return;
    }
    for band in bands {
        if let Err(error) = Band::new(&band.config) {
            faults.add(
                band.at.clone(),
                error.to_string(),
                "figures that a band can have",
            );
        }
    }
    for member in &scenario.stations {
        if let Err(error) = Station::new(member.config.clone()) {
            let what = format!("{}: {error}", member.config.call);
            faults.add(0..0, what, "figures that a station can have");
        }
    }
}

/// A time that a setting gave, or none.
pub(super) fn or_none(time: Option<Duration>) -> Duration {
    time.unwrap_or_default()
}
