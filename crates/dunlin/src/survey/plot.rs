//! The picture of a survey, as SVG that needs nothing else.

use std::fmt::Write;

use dunlin_rehearsal::Trial;

/// Size of one panel and of the space around it.
const WIDTH: f64 = 360.0;
const HEIGHT: f64 = 240.0;
const LEFT: f64 = 70.0;
const TOP: f64 = 80.0;
const GAP: f64 = 110.0;
/// Colours of lines that can be told apart also by those who see few colours (Okabe and Ito).
const COLOURS: [&str; 4] = ["#0072b2", "#d55e00", "#009e73", "#cc79a7"];

/// One line of a panel.
struct Curve {
    name: String,
    points: Vec<(f64, f64, f64)>,
}

/// Two panels: octets through by persistence, one line for each slot time; and by frame length, one
/// line for each window. Bars are two standard errors.
pub fn picture(title: &str, slots: &[Trial], frames: &[Trial]) -> String {
    let by_slot = curves(
        slots,
        |t| format!("slot {} ms", t.settings.slot_ms),
        |t| t.settings.persistence,
    );
    let by_window = curves(
        frames,
        |t| format!("window {}", t.settings.window),
        |t| t.settings.info_length as f64,
    );
    let (width, height) = (2.0 * (LEFT + WIDTH) + GAP, TOP + HEIGHT + 110.0);
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" \
         height=\"{height}\" font-family=\"sans-serif\" font-size=\"13\" role=\"img\">\n\
         <rect width=\"100%\" height=\"100%\" fill=\"#ffffff\"/>\n"
    );
    for (n, part) in wrapped(title, 120).iter().enumerate() {
        let y = 24 + 18 * n;
        let _ = writeln!(svg, "<text x=\"{LEFT}\" y=\"{y}\">{part}</text>");
    }
    let most = top(by_slot.iter().chain(&by_window));
    panel(&mut svg, LEFT, "persistence", &by_slot, most);
    panel(
        &mut svg,
        2.0 * LEFT + WIDTH + GAP - 40.0,
        "octets of information in a frame",
        &by_window,
        most,
    );
    svg.push_str("</svg>\n");
    svg
}

fn curves(
    trials: &[Trial],
    name: impl Fn(&Trial) -> String,
    x: impl Fn(&Trial) -> f64,
) -> Vec<Curve> {
    let mut all: Vec<Curve> = Vec::new();
    for trial in trials {
        let (name, point) = (
            name(trial),
            (x(trial), trial.octets_a_second, trial.uncertain),
        );
        match all.iter_mut().find(|c| c.name == name) {
            Some(curve) => curve.points.push(point),
            None => all.push(Curve {
                name,
                points: vec![point],
            }),
        }
    }
    for curve in &mut all {
        curve.points.sort_by(|a, b| a.0.total_cmp(&b.0));
        curve.points.dedup_by(|a, b| a.0 == b.0);
    }
    all
}

/// A round figure above all points.
fn top<'c>(curves: impl Iterator<Item = &'c Curve>) -> f64 {
    let points = curves.flat_map(|c| &c.points);
    let most = points.map(|(_, y, e)| y + 2.0 * e).fold(1.0, f64::max);
    let step = step(most);
    (most / step).ceil() * step
}

/// A round step that gives four to ten marks.
fn step(most: f64) -> f64 {
    let decade = 10_f64.powf((most / 4.0).log10().floor());
    let steps = [1.0, 2.0, 5.0, 10.0].map(|s| s * decade);
    steps
        .into_iter()
        .rev()
        .find(|s| most / s >= 4.0)
        .unwrap_or(decade)
}

/// Where a panel is and what its axes span.
struct Panel {
    left: f64,
    low: f64,
    span: f64,
    most: f64,
}

impl Panel {
    fn x(&self, value: f64) -> f64 {
        self.left + 12.0 + (WIDTH - 24.0) * (value / self.low).ln() / self.span
    }

    fn y(&self, value: f64) -> f64 {
        TOP + HEIGHT * (1.0 - value / self.most)
    }
}

/// One panel with its left edge at `left`; the horizontal axis is logarithmic.
fn panel(svg: &mut String, left: f64, axis: &str, curves: &[Curve], most: f64) {
    let points = curves.iter().flat_map(|c| &c.points);
    let mut marks: Vec<f64> = points.map(|p| p.0).collect();
    marks.sort_by(f64::total_cmp);
    marks.dedup();
    let (Some(&low), Some(&high)) = (marks.first(), marks.last()) else {
        return;
    };
    let span = (high / low).ln().max(1e-9);
    let panel = Panel {
        left,
        low,
        span,
        most,
    };
    axes(svg, &panel, axis, &marks);
    for (n, curve) in curves.iter().enumerate() {
        draw(svg, &panel, n, curve);
    }
}

fn axes(svg: &mut String, panel: &Panel, axis: &str, marks: &[f64]) {
    let (left, bottom) = (panel.left, TOP + HEIGHT);
    let step = step(panel.most);
    for n in 0..=(panel.most / step).round() as usize {
        let value = step * n as f64;
        let at = panel.y(value);
        let _ = writeln!(
            svg,
            "<line x1=\"{left}\" x2=\"{}\" y1=\"{at:.1}\" y2=\"{at:.1}\" stroke=\"#dddddd\"/>\
             <text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{value}</text>",
            left + WIDTH,
            left - 8.0,
            at + 4.0
        );
    }
    for mark in marks {
        let at = panel.x(*mark);
        let _ = writeln!(
            svg,
            "<line x1=\"{at:.1}\" x2=\"{at:.1}\" y1=\"{bottom}\" y2=\"{}\" stroke=\"#333333\"/>\
             <text x=\"{at:.1}\" y=\"{}\" text-anchor=\"middle\">{mark}</text>",
            bottom + 5.0,
            bottom + 20.0
        );
    }
    let _ = writeln!(
        svg,
        "<rect x=\"{left}\" y=\"{TOP}\" width=\"{WIDTH}\" height=\"{HEIGHT}\" fill=\"none\" \
         stroke=\"#333333\"/><text x=\"{}\" y=\"{}\" text-anchor=\"middle\">{axis}</text>\
         <text transform=\"translate({} {}) rotate(-90)\" text-anchor=\"middle\">octets through, \
         per second</text>",
        left + WIDTH / 2.0,
        bottom + 42.0,
        left - 48.0,
        TOP + HEIGHT / 2.0
    );
}

/// Line `n` with its points, their bars and its name.
fn draw(svg: &mut String, panel: &Panel, n: usize, curve: &Curve) {
    let colour = COLOURS[n % COLOURS.len()];
    let points = curve.points.iter();
    let path: Vec<String> = points
        .map(|p| format!("{:.1},{:.1}", panel.x(p.0), panel.y(p.1)))
        .collect();
    let _ = writeln!(
        svg,
        "<polyline points=\"{}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"2\"/>",
        path.join(" ")
    );
    for (x, y, error) in &curve.points {
        let (at, error) = (panel.x(*x), 2.0 * error);
        let _ = writeln!(
            svg,
            "<line x1=\"{at:.1}\" x2=\"{at:.1}\" y1=\"{:.1}\" y2=\"{:.1}\" stroke=\"{colour}\"/>\
             <circle cx=\"{at:.1}\" cy=\"{:.1}\" r=\"3.5\" fill=\"{colour}\"/>",
            panel.y((y - error).max(0.0)),
            panel.y((y + error).min(panel.most)),
            panel.y(*y)
        );
    }
    let across = panel.left + 12.0 + 118.0 * n as f64;
    let below = TOP + HEIGHT + 64.0;
    let _ = writeln!(
        svg,
        "<line x1=\"{across}\" x2=\"{}\" y1=\"{below}\" y2=\"{below}\" stroke=\"{colour}\" \
         stroke-width=\"2\"/><text x=\"{}\" y=\"{}\">{}</text>",
        across + 20.0,
        across + 26.0,
        below + 4.0,
        curve.name
    );
}

/// A sentence in lines of at most so many characters. Nothing in it needs to be escaped but these.
fn wrapped(text: &str, most: usize) -> Vec<String> {
    let text = text.replace('&', "&amp;").replace('<', "&lt;");
    let mut lines = vec![String::new()];
    for word in text.split(' ') {
        let full = lines.last().is_some_and(|l| l.len() + word.len() >= most);
        if full {
            lines.push(String::new());
        }
        if let Some(line) = lines.last_mut() {
            line.push_str(word);
            line.push(' ');
        }
    }
    lines
}
