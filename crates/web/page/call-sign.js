// Call signs and paths as people type them. The limits are those of AX.25 v2.2, section 3.12
// (address field): six letters and digits, SSID 0 to 15, at most eight digipeaters as the
// version 2.0 address field has them.

const CALL_SIGN = /^[A-Z0-9]{1,6}(-(\d|1[0-5]))?$/;
const MOST_DIGIPEATERS = 8;

/**
 * One call sign, or a sentence that says what is wrong.
 * @param {string} text
 * @returns {{ call: string, wrong?: undefined } | { wrong: string }}
 */
export function readCall(text) {
  const call = text.trim().toUpperCase();
  if (call === '') return { wrong: 'Type the call sign of the station, such as QM3BAR or QM3BAR-2.' };
  if (!CALL_SIGN.test(call)) {
    return {
      wrong: `“${call}” is no call sign: one to six letters and digits, and if needed a hyphen and a number from 0 to 15.`,
    };
  }
  return { call: call.replace(/-0$/, '') };
}

/**
 * Digipeaters in order, separated by commas or spaces; none is fine.
 * @param {string} text
 * @returns {{ via: string[], wrong?: undefined } | { wrong: string }}
 */
export function readPath(text) {
  const via = [];
  for (const word of text.split(/[\s,]+/).filter(Boolean)) {
    const read = readCall(word);
    if (read.wrong !== undefined) return { wrong: read.wrong };
    via.push(read.call);
  }
  if (via.length > MOST_DIGIPEATERS) {
    return { wrong: `${via.length} digipeaters are too many; a frame has room for ${MOST_DIGIPEATERS}.` };
  }
  return { via };
}
