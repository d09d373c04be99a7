"""`python -P -m deploy.plant`."""

from __future__ import annotations

from deploy.plant.command import main

raise SystemExit(main())
