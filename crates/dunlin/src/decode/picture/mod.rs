//! A picture of one frame: its spectrum over time with the tones, its soft bits, its eye.

mod eye;
mod frame;
mod raster;
mod shape;
mod svg;
mod waterfall;

use std::fs;
use std::path::Path;

use anyhow::{Context, bail};
use dunlin_clock::SampleRate;
use dunlin_modem::Line;

use super::found::Found;
use super::print;
use eye::Wave;
use frame::Heard;
use shape::{BLACK, BLUE, Color, Drawing, GREEN, GREY, ORANGE, PINK, RED, Shape, Side};
use waterfall::Span;

/// Pixels of the whole picture.
const SIZE: (u32, u32) = (900, 780);
/// Where the wide panels begin, and their width.
const LEFT: f64 = 64.0;
const WIDTH: u32 = 730;
/// Characters of a line of the title.
const TITLE: usize = 110;
/// Symbols in the eye; more make it no clearer.
const MOST_IN_EYE: usize = 2000;

/// Draws a frame into a file, SVG or PNG by its name.
///
/// # Errors
/// If the recording cannot be read again or the picture not be written.
pub fn save(
    to: &Path,
    recording: &Path,
    channel: usize,
    (line, rate): (Line, SampleRate),
    number: u64,
    found: &Found,
) -> anyhow::Result<()> {
    let heard = Heard::again(recording, channel, (line, rate), found)?;
    let drawing = draw(&heard, line, number, found);
    let octets = match Kind::of(to)? {
        Kind::Svg => svg::svg(&drawing)?.into_bytes(),
        Kind::Png => raster::pixels(&drawing).png()?,
    };
    fs::write(to, octets)
        .with_context(|| format!("was decoded, but {} cannot be written", to.display()))
}

/// How a picture is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Lines and letters that can be enlarged.
    Svg,
    /// Pixels.
    Png,
}

impl Kind {
    /// By the name of the file.
    ///
    /// # Errors
    /// For any other name.
    pub fn of(path: &Path) -> anyhow::Result<Kind> {
        match path.extension().and_then(|e| e.to_str()) {
            Some("svg") => Ok(Kind::Svg),
            Some("png") => Ok(Kind::Png),
            _ => bail!(
                "cannot be drawn into {}: name a file that ends in .svg or .png",
                path.display()
            ),
        }
    }
}

/// A field of the picture with its two scales.
struct Panel {
    left: f64,
    top: f64,
    width: u32,
    height: u32,
    /// What stands at its left and right edge.
    across: (f64, f64),
    /// What stands at its lower and upper edge.
    up: (f64, f64),
}

impl Panel {
    fn x(&self, value: f64) -> f64 {
        let share = (value - self.across.0) / (self.across.1 - self.across.0);
        self.left + share.clamp(0.0, 1.0) * f64::from(self.width)
    }

    fn y(&self, value: f64) -> f64 {
        let share = (value - self.up.0) / (self.up.1 - self.up.0);
        self.bottom() - share.clamp(0.0, 1.0) * f64::from(self.height)
    }

    fn bottom(&self) -> f64 {
        self.top + f64::from(self.height)
    }

    fn right(&self) -> f64 {
        self.left + f64::from(self.width)
    }

    /// Frame, scales and their words.
    fn axes(&self, drawing: &mut Drawing, title: &str, across: &str) {
        let (l, r, t, b) = (self.left, self.right(), self.top, self.bottom());
        for (from, to) in [
            ((l, t), (r, t)),
            ((l, b), (r, b)),
            ((l, t), (l, b)),
            ((r, t), (r, b)),
        ] {
            drawing.line(from, to, GREY);
        }
        drawing.text((l, t - 6.0), Side::Right, title, BLACK);
        for value in ticks(self.across, f64::from(self.width) / 90.0) {
            let x = self.x(value);
            drawing.line((x, b), (x, b + 4.0), GREY);
            drawing.text((x, b + 16.0), Side::Middle, label(value), BLACK);
        }
        drawing.text((r, b + 30.0), Side::Left, across, BLACK);
        for value in ticks(self.up, f64::from(self.height) / 40.0) {
            let y = self.y(value);
            drawing.line((l - 4.0, y), (l, y), GREY);
            drawing.text((l - 7.0, y + 4.0), Side::Left, label(value), BLACK);
        }
    }

    fn upright(&self, drawing: &mut Drawing, at: f64, color: Color) {
        let x = self.x(at);
        drawing.line((x, self.top), (x, self.bottom()), color);
    }

    fn level(&self, drawing: &mut Drawing, at: f64, color: Color) {
        let y = self.y(at);
        drawing.line((self.left, y), (self.right(), y), color);
    }
}

/// Round values within a range, about as many as asked for.
fn ticks((from, to): (f64, f64), about: f64) -> Vec<f64> {
    let rough = (to - from) / about.max(1.0);
    let power = 10_f64.powf(rough.max(1e-12).log10().floor());
    let steps = [1.0, 2.0, 5.0, 10.0].map(|s| s * power);
    let step = steps
        .into_iter()
        .find(|s| *s >= rough)
        .unwrap_or(10.0 * power);
    let first = (from / step).ceil() as i64;
    let last = (to / step + 1e-9).floor() as i64;
    (first..=last).take(100).map(|n| n as f64 * step).collect()
}

fn label(value: f64) -> String {
    let text = format!("{value:.4}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" {
        "0".into()
    } else {
        text.into()
    }
}

fn draw(heard: &Heard, line: Line, number: u64, found: &Found) -> Drawing {
    let mut drawing = Drawing::new(SIZE.0, SIZE.1);
    let symbol = heard.rate / f64::from(line.baud());
    let offset = found.figure("offset_hz").unwrap_or(0.0);
    let tones = line.tones().map(|pair| Tones {
        one: f64::from(pair.mark_hz) + offset,
        zero: f64::from(pair.space_hz) + offset,
    });
    title(&mut drawing, heard, number, found);
    let start_s = found.start as f64 / heard.rate;
    let end_s = found.end as f64 / heard.rate;
    let pad = (0.12 * (end_s - start_s)).max(20.0 * symbol / heard.rate);
    let across = (start_s - pad, end_s + pad);
    spectrum(&mut drawing, heard, symbol, tones, (start_s, end_s), across);
    soft_bits(&mut drawing, heard, (start_s, end_s), across);
    eye(&mut drawing, heard, tones, symbol);
    legend(&mut drawing, heard, found, tones);
    drawing
}

/// Where the tones were heard, hertz.
#[derive(Clone, Copy, Debug)]
struct Tones {
    /// The tone for a one (mark).
    one: f64,
    /// The tone for a zero (space).
    zero: f64,
}

impl Tones {
    fn shift(self) -> f64 {
        (self.zero - self.one).abs()
    }
}

fn short(text: &str) -> String {
    match text.chars().count() > TITLE {
        true => text.chars().take(TITLE - 3).chain("...".chars()).collect(),
        false => text.to_owned(),
    }
}

fn title(drawing: &mut Drawing, heard: &Heard, number: u64, found: &Found) {
    let start_s = found.start as f64 / heard.rate;
    let length_s = (found.end - found.start) as f64 / heard.rate;
    let place = format!(
        "frame {number}, {}, {} octets, from {start_s:.3} s, {length_s:.3} s long",
        found.line,
        found.octets.len()
    );
    drawing.text(
        (10.0, 20.0),
        Side::Right,
        short(&print::text(&found.octets)),
        BLACK,
    );
    drawing.text((10.0, 38.0), Side::Right, place, BLACK);
}

/// The spectrum over time with the tones and the frame's ends.
fn spectrum(
    drawing: &mut Drawing,
    heard: &Heard,
    symbol: f64,
    tones: Option<Tones>,
    ends: (f64, f64),
    across: (f64, f64),
) {
    let rate = heard.rate;
    let baud = rate / symbol;
    let room = |t: Tones| t.shift().max(400.0);
    let low = tones.map_or(0.0, |t| (t.one.min(t.zero) - room(t)).max(0.0));
    let top = tones
        .map_or(baud, |t| t.one.max(t.zero) + room(t))
        .min(rate / 2.0);
    let panel = Panel {
        left: LEFT,
        top: 76.0,
        width: WIDTH,
        height: 220,
        across,
        up: (low, top),
    };
    let sample = |s: f64| s * rate - heard.first as f64;
    let span = Span {
        samples: (sample(across.0), sample(across.1)),
        hz: (low, top),
    };
    // Long enough to tell the tones apart; where single symbols cannot be seen anyway, longer, so that
    // noise is smoother.
    let column_s = (across.1 - across.0) / f64::from(panel.width);
    let long = if column_s * baud > 0.4 { 2.0 } else { 1.0 };
    let window = tones.map_or(8.0 / baud, |t| (2.0 / t.shift()).max(2.0 / baud));
    let window = (long * window * rate) as usize;
    let size = (panel.width, panel.height);
    let pixels = waterfall::waterfall(&heard.samples, rate, &span, window, size);
    let at = (panel.left, panel.top);
    drawing.shapes.push(Shape::Image { at, pixels });
    panel.axes(
        drawing,
        "waterfall: frequency in Hz over time; dark is strong",
        "",
    );
    for (name, hz) in tones
        .iter()
        .flat_map(|t| [("one", t.one), ("zero", t.zero)])
    {
        panel.level(drawing, hz, ORANGE);
        let at = (panel.right() + 5.0, panel.y(hz) + 4.0);
        drawing.text(at, Side::Right, format!("{name} {hz:.0} Hz"), ORANGE);
    }
    for (word, at) in [("first bit", ends.0), ("last bit", ends.1)] {
        panel.upright(drawing, at, GREEN);
        let at = (panel.x(at), panel.bottom() + 30.0);
        drawing.text(at, Side::Middle, word, GREEN);
    }
}

/// What the detector told of each bit.
fn soft_bits(drawing: &mut Drawing, heard: &Heard, ends: (f64, f64), across: (f64, f64)) {
    let most = heard
        .bits
        .iter()
        .fold(1.0_f64, |m, b| m.max(f64::from(b.soft.abs())));
    let limit = 1.1 * most;
    let panel = Panel {
        left: LEFT,
        top: 366.0,
        width: WIDTH,
        height: 120,
        across,
        up: (-limit, limit),
    };
    panel.level(drawing, 0.0, GREY);
    panel.upright(drawing, ends.0, GREEN);
    panel.upright(drawing, ends.1, GREEN);
    let seconds = |b: &frame::Bit| (heard.first as f64 + b.at) / heard.rate;
    for bit in heard.bits.iter().filter(|b| !b.agrees) {
        panel.upright(drawing, seconds(bit), PINK);
    }
    for (agrees, side, color) in [(true, 2, BLUE), (false, 6, RED)] {
        let bits = heard.bits.iter().filter(|b| b.agrees == agrees);
        let place = |b: &frame::Bit| (panel.x(seconds(b)), panel.y(f64::from(b.soft)));
        let at = bits.map(place).collect();
        drawing.shapes.push(Shape::Dots { at, side, color });
    }
    let title = "soft bits: above 0 a one, below a zero; far from 0 is sure; red: the frame has it otherwise";
    panel.axes(drawing, title, "time, s");
}

/// The wave of the symbols over each other.
fn eye(drawing: &mut Drawing, heard: &Heard, tones: Option<Tones>, symbol: f64) {
    let mut wave = match tones {
        Some(t) => Wave::of_tones(&heard.samples, heard.rate, (t.one, t.zero), symbol),
        None => Wave::of_levels(&heard.samples, symbol),
    };
    let step = heard.bits.len() / MOST_IN_EYE + 1;
    let middles: Vec<f64> = heard.bits.iter().step_by(step).map(|b| b.at).collect();
    wave.adjust(&middles);
    let panel = Panel {
        left: LEFT,
        top: 560.0,
        width: 380,
        height: 170,
        across: (-1.0, 1.0),
        up: (-eye::LIMIT, eye::LIMIT),
    };
    let pixels = wave.eye(&middles, symbol, (panel.width, panel.height));
    let at = (panel.left, panel.top);
    drawing.shapes.push(Shape::Image { at, pixels });
    let title = match tones {
        Some(_) => "eye: tone of one less tone of zero (mean is 1)",
        None => "eye: level (mean is 1)",
    };
    panel.axes(drawing, title, "time, symbols");
}

/// Figures: their name, words, unit, and by what they are multiplied.
const FIGURES: [(&str, &str, &str, f64); 8] = [
    ("level_dbfs", "level", "dBFS", 1.0),
    ("snr_db", "S/N (Eb/N0)", "dB", 1.0),
    ("offset_hz", "tone offset", "Hz", 1.0),
    ("twist_db", "low over high", "dB", 1.0),
    ("drift_hz_s", "drift", "Hz/s", 1.0),
    ("rate_error_ppm", "symbols fast by", "ppm", 1.0),
    ("clipped", "clipped", "%", 100.0),
    ("confidence", "certainty", "%", 100.0),
];
/// Octets with bits read otherwise that are named.
const MOST_NAMED: usize = 8;

/// What was measured.
fn legend(drawing: &mut Drawing, heard: &Heard, found: &Found, tones: Option<Tones>) {
    let row = |words: &str, figure: String| format!("{words:16}{figure:>9}");
    let mut lines: Vec<String> = FIGURES
        .iter()
        .filter_map(|(name, words, unit, times)| {
            let value = found.figure(name)? * times;
            // What was repaired is never certain.
            let most = if *name == "confidence" && found.repaired_bits() > 0 {
                99.9
            } else {
                f64::MAX
            };
            Some(format!(
                "{} {unit}",
                row(words, format!("{:.1}", value.min(most) + 0.0))
            ))
        })
        .collect();
    // Whatever else is measured, under its own name.
    let known = |name: &str| name == "repaired_bits" || FIGURES.iter().any(|f| f.0 == name);
    for (name, value) in found.measured.iter().filter(|(name, _)| !known(name)) {
        lines.extend(
            value
                .as_f64()
                .map(|x| row(&name.replace('_', " "), format!("{x:.3}"))),
        );
    }
    lines.push(row("repaired bits", found.repaired_bits().to_string()));
    let wrong: Vec<&frame::Bit> = heard.bits.iter().filter(|b| !b.agrees).collect();
    let read = row("read otherwise", wrong.len().to_string());
    lines.push(format!("{read} of {}", heard.bits.len()));
    lines.extend(where_wrong(&wrong, found.octets.len()));
    if let Some(how) = found.measured.get("how").and_then(|h| h.as_str()) {
        lines.push(format!("read by {how}"));
    }
    if tones.is_none() {
        lines.push("direct shift: no tones".into());
    }
    drawing.text((490.0, 554.0), Side::Right, "measured", BLACK);
    for (n, line) in lines.into_iter().enumerate() {
        drawing.text((490.0, 576.0 + 16.0 * n as f64), Side::Right, line, BLACK);
    }
}

/// Which octets have bits that were read otherwise.
fn where_wrong(bits: &[&frame::Bit], octets: usize) -> Option<String> {
    let name = |octet: usize| match octet < octets {
        true => (octet + 1).to_string(),
        false => "FCS".to_owned(),
    };
    let mut names: Vec<String> = bits.iter().filter_map(|b| b.octet).map(name).collect();
    names.dedup();
    let more = names.len().saturating_sub(MOST_NAMED);
    names.truncate(MOST_NAMED);
    let tail = if more > 0 {
        format!(" and {more} more")
    } else {
        String::new()
    };
    (!names.is_empty()).then(|| format!("in octets {}{tail}", names.join(", ")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scales_have_round_values_inside_their_range() {
        assert_eq!(ticks((0.0, 10.0), 5.0), [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]);
        let labels: Vec<String> = ticks((1.27, 1.52), 3.0).into_iter().map(label).collect();
        assert_eq!(labels, ["1.3", "1.4", "1.5"]);
        assert_eq!(ticks((-1.0, 1.0), 4.0).len(), 5);
        assert_eq!(label(-0.0), "0");
        assert_eq!(label(1.5), "1.5");
    }
}
