"""Parts of the script that makes the invented island; see docs/demo_area.md."""
