//! At which rate, with how many channels and in which format a device of the kernel is run.

use cpal::{BufferSize, SampleFormat, StreamConfig, SupportedStreamConfigRange};
use dunlin_clock::{Duration, SampleRate};

use super::refused;
use crate::channels;
use crate::device::{Channel, DeviceError, Way};

/// Sound per turn of the device; it keeps two of them. Shorter would start a transmission
/// sooner, and leave gaps in frames on a busy machine.
const PERIOD: Duration = Duration::from_millis(40);
/// Rates to try, best first, when a device cannot run at the engine's.
const RATES: [u32; 8] = [
    48_000, 96_000, 44_100, 192_000, 88_200, 32_000, 16_000, 8_000,
];

/// How a device will be run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Choice {
    pub(super) channels: u16,
    pub(super) rate: SampleRate,
    pub(super) format: SampleFormat,
}

impl Choice {
    /// For cpal.
    pub(super) fn config(self) -> StreamConfig {
        let period = u32::try_from(self.rate.samples_in(PERIOD)).unwrap_or(u32::MAX);
        StreamConfig {
            channels: self.channels,
            sample_rate: self.rate.hz(),
            buffer_size: BufferSize::Fixed(period),
        }
    }
}

/// The best of what a device can do: the engine's own rate, else the best that it knows;
/// floating point before integers; no more channels than needed, but two for a port on one
/// channel, so that another port can have the other.
fn choose(
    ranges: &[SupportedStreamConfigRange],
    channel: Channel,
    wanted: SampleRate,
) -> Option<Choice> {
    let needed = channel.index().map_or(1, |i| i + 1);
    let wished = channel.index().map_or(1, |i| (i + 1).max(2));
    let rank = |format| match format {
        SampleFormat::F32 => Some(0),
        SampleFormat::I32 => Some(1),
        SampleFormat::I16 => Some(2),
        _ => None,
    };
    let mut best: Option<((usize, u8, bool, u16), Choice)> = None;
    for range in ranges
        .iter()
        .filter(|r| usize::from(r.channels()) >= needed)
    {
        let Some(rank) = rank(range.sample_format()) else {
            continue;
        };
        let rates = std::iter::once(wanted.hz()).chain(RATES);
        let fits = |hz: &u32| (range.min_sample_rate()..=range.max_sample_rate()).contains(hz);
        let Some((place, hz)) = rates.enumerate().find(|(_, hz)| fits(hz)) else {
            continue;
        };
        let Some(rate) = SampleRate::new(hz) else {
            continue;
        };
        let scant = usize::from(range.channels()) < wished;
        let key = (place, rank, scant, range.channels());
        let choice = Choice {
            channels: range.channels(),
            rate,
            format: range.sample_format(),
        };
        if best.is_none_or(|(other, _)| key < other) {
            best = Some((key, choice));
        }
    }
    best.map(|(_, choice)| choice)
}

/// The best of `ranges` for a port on `channel`.
///
/// # Errors
/// If the device lacks the channel, or offers nothing that this program knows.
pub(super) fn pick(
    ranges: Result<impl Iterator<Item = SupportedStreamConfigRange>, cpal::Error>,
    way: Way,
    name: &str,
    channel: Channel,
    rate: SampleRate,
) -> Result<Choice, DeviceError> {
    let ranges: Vec<_> = ranges.map_err(|e| refused(way, name, &e))?.collect();
    let most = ranges
        .iter()
        .map(|r| usize::from(r.channels()))
        .max()
        .unwrap_or(0);
    if most > 0 {
        channels::check(channel, most, way, name)?;
    }
    choose(&ranges, channel, rate).ok_or_else(|| DeviceError::Unusable {
        way,
        device: format!("alsa:{name}"),
        reason: "it offers no rate and sample format that this program knows".into(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use cpal::SupportedBufferSize;

    fn range(
        channels: u16,
        low: u32,
        high: u32,
        format: SampleFormat,
    ) -> SupportedStreamConfigRange {
        SupportedStreamConfigRange::new(channels, low, high, SupportedBufferSize::Unknown, format)
    }

    fn rate(hz: u32) -> SampleRate {
        SampleRate::new(hz).expect("not zero")
    }

    #[test]
    fn the_engine_rate_comes_before_format_and_channels() {
        let ranges = [
            range(1, 44_100, 44_100, SampleFormat::F32),
            range(2, 8_000, 48_000, SampleFormat::I16),
            range(1, 8_000, 48_000, SampleFormat::I32),
        ];
        let choice = choose(&ranges, Channel::Mono, rate(48_000)).expect("fits");
        assert_eq!(
            (choice.channels, choice.rate.hz(), choice.format),
            (1, 48_000, SampleFormat::I32)
        );
        let right = choose(&ranges, Channel::Right, rate(48_000)).expect("fits");
        assert_eq!((right.channels, right.format), (2, SampleFormat::I16));
        let both = [
            range(1, 48_000, 48_000, SampleFormat::I16),
            range(2, 48_000, 48_000, SampleFormat::I16),
            range(8, 48_000, 48_000, SampleFormat::I16),
        ];
        let channels = |channel| choose(&both, channel, rate(48_000)).map(|c| c.channels);
        assert_eq!(channels(Channel::Mono), Some(1));
        assert_eq!(
            channels(Channel::Left),
            Some(2),
            "another port may want the right"
        );
        assert_eq!(channels(Channel::Number(3)), Some(8));
    }

    #[test]
    fn a_device_with_another_rate_only_is_taken_at_that_rate() {
        let ranges = [range(2, 44_100, 44_100, SampleFormat::I16)];
        let choice = choose(&ranges, Channel::Left, rate(48_000)).expect("fits");
        assert_eq!(choice.rate.hz(), 44_100);
        assert_eq!(choose(&ranges, Channel::Number(3), rate(48_000)), None);
        let odd = [range(1, 8_000, 48_000, SampleFormat::U8)];
        assert_eq!(choose(&odd, Channel::Mono, rate(48_000)), None);
    }
}
