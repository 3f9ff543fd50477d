"""Pages in a headless browser: look.mjs opens them; Node.js, playwright-core and axe-core are needed, and not shipped."""
