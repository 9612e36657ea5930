"""Pages of the facility owner: own sites at a glance, units, visits, certificates, downloads."""
