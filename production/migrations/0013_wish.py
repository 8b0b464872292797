"""Where and when a person wants one stage of an appliance."""

import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("production", "0012_checks_and_sending"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="Wish",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("not_before", models.DateTimeField(null=True)),
                ("first", models.BooleanField(default=False)),
                ("at", models.DateTimeField(default=django.utils.timezone.now)),
                (
                    "appliance",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="wishes",
                        to="production.appliance",
                    ),
                ),
                (
                    "by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "machine",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="+",
                        to="production.machine",
                    ),
                ),
                (
                    "stage",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="+",
                        to="production.stage",
                    ),
                ),
            ],
            options={"verbose_name_plural": "wishes"},
        ),
        migrations.AddConstraint(
            model_name="wish",
            constraint=models.UniqueConstraint(
                fields=("appliance", "stage"), name="one_wish_a_stage"
            ),
        ),
    ]
