"""What registrations by a bar attain, what they leave open, and which faults they find."""
