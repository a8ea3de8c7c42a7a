//! From the interleaved channels of a device to the one sound of a port, and back.

use crate::device::{Channel, DeviceError, Way};

/// Checks that a device with `has` channels has the chosen one.
pub(crate) fn check(
    channel: Channel,
    has: usize,
    way: Way,
    device: &str,
) -> Result<(), DeviceError> {
    if channel.index().unwrap_or(0) < has {
        return Ok(());
    }
    Err(DeviceError::NoSuchChannel {
        way,
        device: device.into(),
        has,
        wanted: channel,
    })
}

/// The chosen channel of one interleaved frame; the mean of all for [`Channel::Mono`].
pub(crate) fn pick(frame: &[f32], index: Option<usize>) -> f32 {
    match index {
        Some(i) => frame.get(i).copied().unwrap_or(0.0),
        None if frame.is_empty() => 0.0,
        None => frame.iter().sum::<f32>() / frame.len() as f32,
    }
}

/// Adds `sample` to the chosen channel of one interleaved frame, to all for
/// [`Channel::Mono`].
pub(crate) fn add(frame: &mut [f32], index: Option<usize>, sample: f32) {
    match index {
        Some(i) => frame.iter_mut().skip(i).take(1).for_each(|s| *s += sample),
        None => frame.iter_mut().for_each(|s| *s += sample),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_channel_or_the_mean_of_all_is_heard() {
        assert_eq!(pick(&[0.2, 0.6], None), 0.4);
        assert_eq!(pick(&[0.2, 0.6], Some(1)), 0.6);
        assert_eq!(pick(&[0.2], Some(4)), 0.0);
        assert_eq!(pick(&[], None), 0.0);
    }

    #[test]
    fn the_other_channels_stay_silent() {
        let mut frame = [0.0_f32; 3];
        add(&mut frame, Some(1), 0.5);
        assert_eq!(frame, [0.0, 0.5, 0.0]);
        add(&mut frame, None, 0.25);
        assert_eq!(frame, [0.25, 0.75, 0.25]);
        add(&mut frame, Some(9), 0.5);
        assert_eq!(frame, [0.25, 0.75, 0.25], "there is no such channel");
    }

    #[test]
    fn a_channel_beyond_the_last_is_refused() {
        assert!(check(Channel::Mono, 1, Way::Hear, "d").is_ok());
        let error = check(Channel::Right, 1, Way::Hear, "d").expect_err("one channel");
        assert!(
            error
                .to_string()
                .contains("has 1 channel(s); channel right"),
            "{error}"
        );
    }
}
