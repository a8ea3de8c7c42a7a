//! Drawings as SVG. (W3C, Scalable Vector Graphics 1.1; data URIs: RFC 2397; base 64: RFC 4648
//! section 4. From memory.)

use std::fmt::Write as _;

use super::shape::{Color, Drawing, Shape, Side};

/// A drawing as the text of an SVG file.
///
/// # Errors
/// If the pixels in it cannot be made a PNG.
pub fn svg(drawing: &Drawing) -> Result<String, png::EncodingError> {
    let (w, h) = (drawing.width, drawing.height);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}\" height=\"{h}\" viewBox=\"0 0 {w} {h}\">\n\
         <rect width=\"{w}\" height=\"{h}\" fill=\"#ffffff\"/>\n"
    );
    for shape in &drawing.shapes {
        // Writing into a String cannot fail.
        let _ = match shape {
            Shape::Line { from, to, color } => writeln!(
                out,
                "<line x1=\"{:.1}\" y1=\"{:.1}\" x2=\"{:.1}\" y2=\"{:.1}\" stroke=\"{}\"/>",
                from.0,
                from.1,
                to.0,
                to.1,
                hash(*color)
            ),
            Shape::Dots { at, side, color } => {
                let half = f64::from(*side) / 2.0;
                let dot = |(x, y): &(f64, f64)| {
                    format!("M{:.1} {:.1}h{side}v{side}h-{side}z", x - half, y - half)
                };
                let path: String = at.iter().map(dot).collect();
                writeln!(out, "<path d=\"{path}\" fill=\"{}\"/>", hash(*color))
            }
            Shape::Text {
                at,
                side,
                text,
                color,
            } => {
                let anchor = match side {
                    Side::Right => "start",
                    Side::Middle => "middle",
                    Side::Left => "end",
                };
                writeln!(
                    out,
                    "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\" fill=\"{}\" \
                     font-family=\"monospace\" font-size=\"12\" xml:space=\"preserve\">{}</text>",
                    at.0,
                    at.1,
                    hash(*color),
                    escaped(text)
                )
            }
            Shape::Image { at, pixels } => writeln!(
                out,
                "<image x=\"{:.1}\" y=\"{:.1}\" width=\"{}\" height=\"{}\" \
                 href=\"data:image/png;base64,{}\"/>",
                at.0,
                at.1,
                pixels.width,
                pixels.height,
                base64(&pixels.png()?)
            ),
        };
    }
    out.push_str("</svg>\n");
    Ok(out)
}

fn hash([r, g, b]: Color) -> String {
    format!("#{r:02x}{g:02x}{b:02x}")
}

/// Words that no XML reader takes for anything else. Characters that XML has no place for are
/// left out.
fn escaped(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            c if c.is_control() => {}
            c => out.push(c),
        }
    }
    out
}

fn base64(octets: &[u8]) -> String {
    const DIGITS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::with_capacity(octets.len() / 3 * 4 + 4);
    for three in octets.chunks(3) {
        let bits = (0..3).fold(0_u32, |bits, n| {
            bits << 8 | u32::from(three.get(n).copied().unwrap_or(0))
        });
        for n in 0..4 {
            let digit = DIGITS[(bits >> (18 - 6 * n)) as usize & 63];
            out.push(if n > three.len() {
                '='
            } else {
                char::from(digit)
            });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_is_that_of_the_standard() {
        // RFC 4648 section 10.
        let vectors = [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ];
        for (plain, coded) in vectors {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }

    #[test]
    fn words_from_the_air_cannot_leave_their_element() {
        assert_eq!(escaped("a<b>&\"\u{7}"), "a&lt;b&gt;&amp;&quot;");
    }
}
