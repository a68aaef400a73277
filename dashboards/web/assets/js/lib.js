// SPDX-License-Identifier: Apache-2.0
// The view library as the page uses it: h makes an element or a component,
// render draws a tree, the rest are its hooks. Pages import from here only, so
// that a change of library is a change of this file.
export { Component, Fragment, h, render } from '../vendor/preact.js';
export { useEffect, useLayoutEffect, useMemo, useRef, useState } from '../vendor/preact-hooks.js';
