"""What an exam's numbers say: items, reliability, pass decisions, item response models, agreement of graders, the cut score."""
