"""What a changed or uncertain figure does: scenarios, why a cost moved, sensitivities, draws."""
