"""Who can be sent: technicians with their shifts, skills, absences and vans; what sites ask of them."""
