// The words that were looked for are not kept in the browser to be marked on the page that is opened.
const SPHINX_HIGHLIGHT_ENABLED = false;
