"""Commands that set up what Littoral looks after: tanks with animals and plans, absences."""
