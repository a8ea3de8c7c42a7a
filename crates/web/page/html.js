// Preact with htm: markup in template strings, no build step.
import { h, render, Fragment } from './vendor/preact.js';
import { useEffect, useLayoutEffect, useMemo, useReducer, useRef, useState } from './vendor/hooks.js';
import htm from './vendor/htm.js';

export const html = htm.bind(h);
export { render, Fragment, useEffect, useLayoutEffect, useMemo, useReducer, useRef, useState };
