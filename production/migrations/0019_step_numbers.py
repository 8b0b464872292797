"""Step numbers that a person corrected before a series was started."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("production", "0018_remeasured")]

    operations = [
        migrations.AddField(
            model_name="seriesintake",
            name="numbers",
            field=models.JSONField(
                default=dict,
                help_text="File to step number, where a person corrected the file's name.",
            ),
        ),
    ]
