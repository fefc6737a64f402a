"""What is known of the diagnostic port (SAE J1979, ISO 15765, ISO 14229-1): its parameters, answers and addresses."""
