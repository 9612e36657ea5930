"""What is due at a site, bundled into trips over the months ahead."""
