//! Drawings as pixels.

use std::convert::Infallible;

use embedded_graphics::mono_font::MonoTextStyle;
use embedded_graphics::mono_font::iso_8859_1::FONT_7X13;
use embedded_graphics::pixelcolor::Rgb888;
use embedded_graphics::prelude::*;
use embedded_graphics::primitives::{Line, PrimitiveStyle, Rectangle};
use embedded_graphics::text::{Alignment, Text};

use super::shape::{Color, Drawing, Pixels, Shape, Side};

/// A sheet on which the library draws.
struct Sheet(Pixels);

impl OriginDimensions for Sheet {
    fn size(&self) -> Size {
        Size::new(self.0.width, self.0.height)
    }
}

impl DrawTarget for Sheet {
    type Color = Rgb888;
    type Error = Infallible;

    fn draw_iter<I: IntoIterator<Item = Pixel<Rgb888>>>(
        &mut self,
        pixels: I,
    ) -> Result<(), Infallible> {
        let bounds = self.bounding_box();
        for Pixel(at, color) in pixels {
            if bounds.contains(at) {
                let n = 3 * (at.y as usize * self.0.width as usize + at.x as usize);
                self.0.rgb[n..n + 3].copy_from_slice(&[color.r(), color.g(), color.b()]);
            }
        }
        Ok(())
    }
}

fn point((x, y): (f64, f64)) -> Point {
    Point::new(x.round() as i32, y.round() as i32)
}

fn color([r, g, b]: Color) -> Rgb888 {
    Rgb888::new(r, g, b)
}

/// A drawing as pixels.
pub fn pixels(drawing: &Drawing) -> Pixels {
    let mut sheet = Sheet(Pixels {
        width: drawing.width,
        height: drawing.height,
        rgb: vec![255; 3 * drawing.width as usize * drawing.height as usize],
    });
    for shape in &drawing.shapes {
        let Ok(()) = draw(&mut sheet, shape);
    }
    sheet.0
}

fn draw(sheet: &mut Sheet, shape: &Shape) -> Result<(), Infallible> {
    match shape {
        Shape::Line { from, to, color: c } => Line::new(point(*from), point(*to))
            .into_styled(PrimitiveStyle::with_stroke(color(*c), 1))
            .draw(sheet),
        Shape::Dots { at, side, color: c } => {
            let half = f64::from(*side) / 2.0;
            for &(x, y) in at {
                Rectangle::new(point((x - half, y - half)), Size::new(*side, *side))
                    .into_styled(PrimitiveStyle::with_fill(color(*c)))
                    .draw(sheet)?;
            }
            Ok(())
        }
        Shape::Text {
            at,
            side,
            text,
            color: c,
        } => {
            let alignment = match side {
                Side::Right => Alignment::Left,
                Side::Middle => Alignment::Center,
                Side::Left => Alignment::Right,
            };
            let style = MonoTextStyle::new(&FONT_7X13, color(*c));
            Text::with_alignment(text, point(*at), style, alignment)
                .draw(sheet)
                .map(|_| ())
        }
        Shape::Image { at, pixels } => {
            let corner = point(*at);
            let places = (0..pixels.height).flat_map(|y| (0..pixels.width).map(move |x| (x, y)));
            let colors = pixels.rgb.chunks_exact(3);
            sheet.draw_iter(places.zip(colors).map(|((x, y), c)| {
                let at = corner + Point::new(x as i32, y as i32);
                Pixel(at, Rgb888::new(c[0], c[1], c[2]))
            }))
        }
    }
}
