"""Did an intervention change the exam? Differences of the leading estimates with examiners as clusters."""
