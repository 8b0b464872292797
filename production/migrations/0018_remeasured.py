"""What a stored model measured before it was used again."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("production", "0017_amounts_and_keys")]

    operations = [
        migrations.AddField(
            model_name="appliance",
            name="remeasured",
            field=models.JSONField(
                help_text="What a stored model measured before it was used again.", null=True
            ),
        ),
    ]
