"""The office: settings, people, patients, visits, hours, audit trail."""
