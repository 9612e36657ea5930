from django.db import migrations, models
import django.db.models.deletion


class Migration(migrations.Migration):

    dependencies = [("schedules", "0013_outlook_ways")]

    operations = [
        migrations.RenameField("outlooktrip", "promised_visit", "booked_visit"),
        migrations.AlterField(
            model_name="outlooktrip",
            name="booked_visit",
            field=models.ForeignKey(
                help_text="The visit on the books that it joins.",
                null=True,
                on_delete=django.db.models.deletion.SET_NULL,
                related_name="+",
                to="schedules.visit",
            ),
        ),
    ]
